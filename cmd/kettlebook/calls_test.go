package main_test

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"

	servicev1 "kettlebook/proto/kettlebook/service/v1"
)

// services is the protobuf package of the calls.
const services = "kettlebook.service.v1"

// withoutID names the calls that change something and carry no request id: those of the session leave nothing in the
// ledger, and the id of a paper sheet is worked out from the sheet, so that the same sheet is never taken twice.
var withoutID = []protoreflect.FullName{
	services + ".SessionService.SignIn",
	services + ".SessionService.SignOut",
	services + ".SessionService.SetPin",
	services + ".SessionService.ConfirmSigning",
	services + ".SheetService.TakeSheet",
}

// withPIN names the only messages in which a PIN may travel.
var withPIN = []protoreflect.FullName{
	services + ".SignInRequest",
	services + ".SetPinRequest",
	services + ".ConfirmSigningRequest",
}

// reckoning names the services that keep nothing, whatever their calls are called.
var reckoning = []protoreflect.FullName{services + ".CalcService", services + ".TodayService"}

// readingName is how the name of a call of the other services begins when it only looks.
var readingName = regexp.MustCompile(`^(Get|List|Watch|Prove|Check|WhoAmI)`)

// pinName is a field that holds a PIN.
var pinName = regexp.MustCompile(`(^|_)pins?(_|$)`)

// TestCallsKeepTheConventions walks the services. A call that only looks says so, and may be sent again; any other
// carries a request id, so that sending it again does nothing twice, and answers with the receipt. Lists come in pages.
func TestCallsKeepTheConventions(t *testing.T) {
	seen := map[protoreflect.FullName]bool{}
	protoregistry.GlobalFiles.RangeFilesByPackage(services, func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			calls := file.Services().Get(i).Methods()
			for j := range calls.Len() {
				seen[calls.Get(j).FullName()] = true
				for _, fault := range callFaults(calls.Get(j)) {
					t.Error(fault)
				}
			}
		}
		return true
	})
	for _, name := range withoutID {
		if !seen[name] {
			t.Errorf("%s is excused from the request id but is not there", name)
		}
	}
}

// callFaults gives what one call does against the conventions.
func callFaults(call protoreflect.MethodDescriptor) []string {
	var faults []string
	add := func(format string, args ...any) {
		faults = append(faults, fmt.Sprintf("%s "+format, append([]any{call.Name()}, args...)...))
	}
	in, out := call.Input().Fields(), call.Output().Fields()
	options, _ := call.Options().(*descriptorpb.MethodOptions)
	looks := options.GetIdempotencyLevel() == descriptorpb.MethodOptions_NO_SIDE_EFFECTS
	want := readingName.MatchString(string(call.Name())) || slices.Contains(reckoning, call.Parent().FullName())
	if want != looks {
		add("is named as if NO_SIDE_EFFECTS were %v, and marked %v", want, looks)
	}
	id, receipt := in.ByName("request_id"), out.ByName("receipt")
	switch excused := slices.Contains(withoutID, call.FullName()); {
	case looks && id != nil:
		add("only looks and has a request_id")
	case !looks && !excused && (id == nil || id.Kind() != protoreflect.StringKind):
		add("changes something and its request has no string request_id")
	case !looks && !excused && (receipt == nil || receipt.Message().FullName() != services+".Receipt"):
		add("changes something and its answer has no receipt")
	}
	if strings.HasPrefix(string(call.Name()), "List") {
		for _, name := range []protoreflect.Name{"page_size", "page_token"} {
			if in.ByName(name) == nil {
				add("is a list and its request has no %s", name)
			}
		}
		if out.ByName("next_page_token") == nil {
			add("is a list and its answer has no next_page_token")
		}
	}
	return faults
}

// TestPINsTravelSeldom: no record, and no call but three, has a place for a PIN.
func TestPINsTravelSeldom(t *testing.T) {
	var places []protoreflect.FullName
	see := func(message protoreflect.MessageDescriptor) {
		for i := range message.Fields().Len() {
			if pinName.MatchString(string(message.Fields().Get(i).Name())) {
				places = append(places, message.FullName())
			}
		}
	}
	eachMessage(services, see)
	eachMessage("kettlebook.v1", see)
	slices.Sort(places)
	want := slices.Sorted(slices.Values(withPIN))
	if !slices.Equal(places, want) {
		t.Errorf("PINs have a place in %v, want %v", places, want)
	}
}

// TestCallConventionsBite tries the checks on calls made up by changing ours.
func TestCallConventionsBite(t *testing.T) {
	ours := protodesc.ToFileDescriptorProto(servicev1.File_kettlebook_service_v1_kitchen_proto)
	service := ours.GetService()[0]
	message := func(name string) *descriptorpb.DescriptorProto {
		for _, message := range ours.GetMessageType() {
			if message.GetName() == name {
				return message
			}
		}
		t.Fatalf("no message %s", name)
		return nil
	}
	rename := func(of *descriptorpb.DescriptorProto, from, to string) {
		for _, field := range of.GetField() {
			if field.GetName() == from {
				field.Name, field.JsonName = proto.String(to), nil
				return
			}
		}
		t.Fatalf("no field %s in %s", from, of.GetName())
	}
	for _, method := range service.GetMethod() {
		switch method.GetName() {
		case "GetSite":
			method.Options = nil
		case "PutSite":
			rename(message("PutSiteRequest"), "request_id", "id")
		case "PutPerson":
			rename(message("PutPersonResponse"), "receipt", "paper")
		case "ListPeople":
			rename(message("ListPeopleRequest"), "page_token", "from")
			rename(message("ListPeopleResponse"), "next_page_token", "to")
		case "PutInstrument":
			method.Options = &descriptorpb.MethodOptions{IdempotencyLevel: descriptorpb.MethodOptions_NO_SIDE_EFFECTS.Enum()}
		}
	}
	changed, err := protodesc.NewFile(ours, protoregistry.GlobalFiles)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for i := range changed.Services().Get(0).Methods().Len() {
		got = append(got, callFaults(changed.Services().Get(0).Methods().Get(i))...)
	}
	slices.Sort(got)
	want := []string{
		"GetSite changes something and its request has no string request_id",
		"GetSite is named as if NO_SIDE_EFFECTS were true, and marked false",
		"ListPeople is a list and its answer has no next_page_token",
		"ListPeople is a list and its request has no page_token",
		"PutInstrument is named as if NO_SIDE_EFFECTS were false, and marked true",
		"PutInstrument only looks and has a request_id",
		"PutPerson changes something and its answer has no receipt",
		"PutSite changes something and its request has no string request_id",
	}
	if !slices.Equal(got, want) {
		t.Errorf("faults %q, want %q", got, want)
	}
}
