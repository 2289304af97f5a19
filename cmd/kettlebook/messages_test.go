package main_test

import (
	"bufio"
	"fmt"
	"path"
	"regexp"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/known/structpb"
	"google.golang.org/protobuf/types/known/wrapperspb"

	_ "kettlebook/proto/kettlebook/v1" // its messages are found by name
)

// units says which words the comment of a message field must hold, by the end of the field's name: a number without
// its unit is no record.
var units = []struct {
	end  string
	says *regexp.Regexp
}{
	{"micro_c", regexp.MustCompile(`millionths? of a (degC|degree)|likewise`)},
	{"micro", regexp.MustCompile(`[Mm]illionths?`)},
	{"_c", regexp.MustCompile(`degC|degrees? Celsius`)},
	{"_f", regexp.MustCompile(`degF|degrees? Fahrenheit`)},
	{"_hpa", regexp.MustCompile(`\bhPa\b`)},
	{"_m", regexp.MustCompile(`\bmetres?\b`)},
	{"_kg", regexp.MustCompile(`\bkilograms?\b`)},
	{"_ms", regexp.MustCompile(`\b[Mm]illiseconds?\b`)},
	{"_s", regexp.MustCompile(`\b[Ss]econds?\b`)},
	{"_min", regexp.MustCompile(`\b[Mm]inutes?\b`)},
	{"_sha256", regexp.MustCompile(`SHA-256\b.*\b32 bytes`)},
}

// decimalUnit is what the comment of a Decimal says when the field's name does not end in a unit.
var decimalUnit = regexp.MustCompile(`degrees of its scale|fraction|\bratio\b|\bdegrees? Brix\b|millionths|per ?cent`)

// anyKind names the fields that carry a record of whatever kind, as google.protobuf.Any.
var anyKind = []protoreflect.FullName{"kettlebook.v1.Envelope.payload", "kettlebook.v1.Amendment.replacement"}

// TestStoredMessages walks the messages that end up in the ledger. A map has no order, so the same record could be
// written as other bytes; a float is not the number that was read.
func TestStoredMessages(t *testing.T) {
	count := 0
	eachMessage("kettlebook.v1", func(message protoreflect.MessageDescriptor) {
		count++
		for _, fault := range storedFaults(message) {
			t.Error(fault)
		}
	})
	if count < 40 {
		t.Errorf("walked only %d messages of kettlebook.v1", count)
	}
}

// storedFaults gives the fields of one message that a stored message must not have. Messages of others are looked at
// where they are used.
func storedFaults(message protoreflect.MessageDescriptor) []string {
	var faults []string
	for i := range message.Fields().Len() {
		field := message.Fields().Get(i)
		switch {
		case field.IsMap():
			faults = append(faults, fmt.Sprintf("%s is a map", field.FullName()))
		case field.Kind() == protoreflect.FloatKind || field.Kind() == protoreflect.DoubleKind:
			faults = append(faults, fmt.Sprintf("%s is a binary float", field.FullName()))
		case field.Kind() == protoreflect.GroupKind:
			faults = append(faults, fmt.Sprintf("%s is a group", field.FullName()))
		case field.Message() != nil:
			of := field.Message().FullName()
			known := of == "google.protobuf.Timestamp" || slices.Contains(anyKind, field.FullName())
			if !known && !strings.HasPrefix(string(of), "kettlebook.v1.") {
				faults = append(faults, fmt.Sprintf("%s holds a %s, whose form is not ours", field.FullName(), of))
			}
		}
	}
	return faults
}

// TestStoredMessagesBite: messages of others that break the rules are found to do so.
func TestStoredMessagesBite(t *testing.T) {
	structs, wrappers := structpb.File_google_protobuf_struct_proto, wrapperspb.File_google_protobuf_wrappers_proto
	for _, c := range []struct {
		message protoreflect.MessageDescriptor
		want    string
	}{
		{structs.Messages().ByName("Struct"), "google.protobuf.Struct.fields is a map"},
		{structs.Messages().ByName("ListValue"), "google.protobuf.ListValue.values holds a google.protobuf.Value, whose form is not ours"},
		{wrappers.Messages().ByName("DoubleValue"), "google.protobuf.DoubleValue.value is a binary float"},
		{wrappers.Messages().ByName("FloatValue"), "google.protobuf.FloatValue.value is a binary float"},
	} {
		if got := storedFaults(c.message); !slices.Equal(got, []string{c.want}) {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

// TestFieldsGiveTheirUnits reads the comments in the .proto files, which the generated Go does not register.
func TestFieldsGiveTheirUnits(t *testing.T) {
	fields := 0
	for _, file := range trackedFiles(t) {
		if path.Ext(file.path) == ".proto" {
			found, faults := unitFaults(file.path, file.text)
			fields += found
			for _, fault := range faults {
				t.Error(fault)
			}
		}
	}
	if fields < 30 {
		t.Errorf("found only %d fields with a unit", fields)
	}
}

// fieldLine is a field of a message in a .proto file: its type and name.
var fieldLine = regexp.MustCompile(`^\s*(?:repeated |optional )?([\w.]+) (\w+) = \d+`)

// unitFaults gives the number of fields of a .proto file that are quantities, and those whose comment has no unit.
func unitFaults(name, text string) (fields int, faults []string) {
	var comment string
	lines := bufio.NewScanner(strings.NewReader(text))
	for number := 1; lines.Scan(); number++ {
		line := strings.TrimSpace(lines.Text())
		if said, ok := strings.CutPrefix(line, "//"); ok {
			comment += said
			continue
		}
		if match := fieldLine.FindStringSubmatch(line); match != nil {
			if says := unitOf(match[1], match[2]); says != nil {
				fields++
				if !says.MatchString(comment) {
					faults = append(faults, fmt.Sprintf("%s:%d: the comment of %s must say %s", name, number, match[2], says))
				}
			}
		}
		comment = ""
	}
	return fields, faults
}

// unitOf is what the comment of a field must say; nil when the field is no quantity. Words such as as_found_at and
// lists of names end like units but are none: only numbers, decimals and hashes count.
func unitOf(kind, name string) *regexp.Regexp {
	if !regexp.MustCompile(`^(s?u?int(32|64)|s?fixed(32|64)|bytes|(kettlebook\.v1\.)?Decimal)$`).MatchString(kind) {
		return nil
	}
	for _, unit := range units {
		if strings.HasSuffix(name, unit.end) {
			return unit.says
		}
	}
	if strings.HasSuffix(kind, "Decimal") {
		return decimalUnit
	}
	return nil
}

// TestFieldsGiveTheirUnitsBites tries the reader of comments on a made-up message.
func TestFieldsGiveTheirUnitsBites(t *testing.T) {
	const text = `message M {
  // Height in metres.
  Decimal height_m = 1;
  // Height.
  Decimal depth_m = 2;
  // Told in metres, but not this one.

  int32 width_m = 3;
  // Room in which it was
  // read, in hPa.
  Decimal air_hpa = 4;
  // Share.
  Decimal share = 5;
  // Names of rooms.
  repeated string room_m = 6;
  // SHA-256 of it.
  optional bytes of_sha256 = 7;
  // In millionths of a degC.
  repeated sint64 pull_micro_c = 8;
}`
	fields, faults := unitFaults("m.proto", text)
	var places []string
	for _, fault := range faults {
		place, _, _ := strings.Cut(fault, ": ")
		places = append(places, place)
	}
	if want := []string{"m.proto:5", "m.proto:8", "m.proto:13", "m.proto:17"}; fields != 7 || !slices.Equal(places, want) {
		t.Errorf("%d fields with faults at %v, want 7 and %v", fields, places, want)
	}
}

// eachMessage calls see with every message of a protobuf package, those inside others too.
func eachMessage(of protoreflect.FullName, see func(protoreflect.MessageDescriptor)) {
	var walk func(protoreflect.MessageDescriptors)
	walk = func(messages protoreflect.MessageDescriptors) {
		for i := range messages.Len() {
			see(messages.Get(i))
			walk(messages.Get(i).Messages())
		}
	}
	protoregistry.GlobalFiles.RangeFilesByPackage(of, func(file protoreflect.FileDescriptor) bool {
		walk(file.Messages())
		return true
	})
}
