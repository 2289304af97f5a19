package server

import (
	"fmt"
	"unicode/utf8"

	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/encoding/proto"
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/encoding/protowire"
	pb "google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"kettlebook/records"
)

// unreadable is the field number (the largest there is) under which the codec
// leaves word of a message that it could not read, so that the caller is told
// the field instead of an internal error.
const unreadable = protowire.MaxValidNumber

// codec is grpc's own protobuf codec, except that a request that cannot be
// read reaches the interceptors, where it is refused by name of its field.
type codec struct{ encoding.CodecV2 }

func newCodec() codec { return codec{encoding.GetCodecV2(proto.Name)} }

func (c codec) Unmarshal(data mem.BufferSlice, v any) error {
	err := c.CodecV2.Unmarshal(data, v)
	m, ok := v.(pb.Message)
	if err == nil || !ok {
		return err
	}
	raw := data.Materialize()
	path := badField("", raw, m.ProtoReflect().Descriptor())
	pb.Reset(m)
	var b []byte
	b = protowire.AppendTag(b, unreadable, protowire.BytesType)
	b = protowire.AppendString(b, path)
	m.ProtoReflect().SetUnknown(b)
	return nil
}

// readable refuses a message that the codec could not read.
func readable(m pb.Message) error {
	u := m.ProtoReflect().GetUnknown()
	num, typ, n := protowire.ConsumeTag(u)
	if n < 0 || num != unreadable || typ != protowire.BytesType {
		return nil
	}
	path, _ := protowire.ConsumeString(u[n:])
	if path == "" {
		return &records.FieldError{Kind: records.ErrInvalid, Problem: "the message cannot be read", Cure: "use the messages of this version"}
	}
	return &records.FieldError{Kind: records.ErrInvalid, Field: path, Problem: "is not valid UTF-8", Cure: "send UTF-8"}
}

// badField finds the text field that is not UTF-8; empty when it is
// something else that cannot be read.
func badField(path string, b []byte, d protoreflect.MessageDescriptor) string {
	seen := map[protoreflect.Name]int{}
	for len(b) > 0 {
		num, typ, n := protowire.ConsumeTag(b)
		if n < 0 {
			return ""
		}
		b = b[n:]
		size := protowire.ConsumeFieldValue(num, typ, b)
		if size < 0 {
			return ""
		}
		value := b[:size]
		b = b[size:]
		fd := d.Fields().ByNumber(num)
		if fd == nil || typ != protowire.BytesType {
			continue
		}
		name := string(fd.Name())
		if fd.IsList() {
			name = fmt.Sprintf("%s[%d]", name, seen[fd.Name()])
			seen[fd.Name()]++
		}
		if path != "" {
			name = path + "." + name
		}
		content, _ := protowire.ConsumeBytes(value)
		switch fd.Kind() {
		case protoreflect.StringKind:
			if !utf8.Valid(content) {
				return name
			}
		case protoreflect.MessageKind:
			if found := badField(name, content, fd.Message()); found != "" {
				return found
			}
		}
	}
	return ""
}
