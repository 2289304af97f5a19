package server_test

import (
	"context"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/server"
)

const (
	nobody   = "nobody"
	operator = "operator"
)

// everyCaller are all kinds of callers.
var everyCaller = []string{nobody, operator, anna, rita, adele, ines}

// mayCall says, service by service, who may call what; written down once more
// here, apart from the server's own table.
var mayCall = map[string]map[string]string{
	"SessionService": {
		"SignIn": "nobody operator AK RR ADM INS", "SignOut": "operator AK RR ADM INS", "WhoAmI": "operator AK RR ADM INS",
		"SetPin": "operator AK RR ADM INS", "ConfirmSigning": "RR",
	},
	"KitchenService": {
		"PutSite": "operator ADM", "GetSite": "operator AK RR ADM INS", "PutPerson": "operator ADM", "ListPeople": "operator AK RR ADM INS",
		"PutInstrument": "operator ADM", "ListInstruments": "operator AK RR ADM INS", "PutFormula": "operator RR ADM", "ApproveFormula": "operator RR ADM",
		"ListFormulas": "operator AK RR ADM INS",
	},
	"CheckService": {
		"RecordCheck": "AK RR", "RecordPressure": "AK RR", "ListChecks": "operator AK RR ADM INS", "GetBoilingPoint": "operator AK RR ADM INS",
	},
	"BatchService": {
		"StartBatch": "AK RR", "AddReadings": "AK RR", "StreamReadings": "AK RR", "RecordPull": "AK RR", "RecordColdWaterTest": "AK RR", "EndBatch": "AK RR",
		"VoidBatch": "AK RR", "GetBatch": "operator AK RR ADM INS", "ListBatches": "operator AK RR ADM INS",
	},
	"DeviationService": {
		"OpenDeviation": "AK RR", "RecordAction": "AK RR", "RecordDisposition": "RR", "Amend": "AK RR", "ListDeviations": "operator AK RR ADM INS",
	},
	"DayService": {
		"GetDay": "operator AK RR ADM INS", "ReviewDay": "RR", "SealDay": "operator", "ListLogs": "operator AK RR ADM INS", "GetLog": "operator AK RR ADM INS",
		"ListOverdue": "operator AK RR ADM INS", "WatchDay": "operator AK RR ADM INS",
	},
	"LedgerService": {
		"GetCheckpoint": "operator AK RR ADM INS", "ListEntries": "operator AK RR ADM INS", "ProveConsistency": "operator AK RR ADM INS",
		"ProveInclusion": "operator AK RR ADM INS", "CheckLedger": "operator RR ADM INS",
	},
	"SheetService": {"TakeSheet": "operator ADM"},
	"TodayService": {"DialNumbers": "operator AK RR ADM INS", "ForecastBatch": "operator AK RR ADM INS"},
	"CalcService": {
		"BoilingPoint": "operator AK RR ADM INS", "DialNumber": "operator AK RR ADM INS", "ReadDial": "operator AK RR ADM INS",
		"FitForCook": "operator AK RR ADM INS", "CompareRack": "operator AK RR ADM INS", "Drift": "operator AK RR ADM INS",
		"StemCorrection": "operator AK RR ADM INS", "SensorTolerance": "operator AK RR ADM INS", "MoveLimit": "operator AK RR ADM INS",
		"Solids": "operator AK RR ADM INS", "Blend": "operator AK RR ADM INS", "Stages": "operator AK RR ADM INS",
		"WaterActivity": "operator AK RR ADM INS", "YieldOf": "operator AK RR ADM INS", "ScaleFormula": "operator AK RR ADM INS",
		"Forecast": "operator AK RR ADM INS", "CarryOver": "operator AK RR ADM INS", "OnsetHint": "operator AK RR ADM INS",
		"SecondWitness": "operator AK RR ADM INS",
	},
}

// method finds the descriptor of a method by its full name on the wire.
func method(t testing.TB, full string) protoreflect.MethodDescriptor {
	t.Helper()
	service, name, _ := strings.Cut(strings.TrimPrefix(full, "/"), "/")
	d, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(service))
	if err != nil {
		t.Fatal(err)
	}
	return d.(protoreflect.ServiceDescriptor).Methods().ByName(protoreflect.Name(name))
}

// reading says that a method is marked as having no side effects.
func reading(m protoreflect.MethodDescriptor) bool {
	return m.Options().(*descriptorpb.MethodOptions).GetIdempotencyLevel() == descriptorpb.MethodOptions_NO_SIDE_EFFECTS
}

func newMessage(t testing.TB, d protoreflect.MessageDescriptor) proto.Message {
	t.Helper()
	mt, err := protoregistry.GlobalTypes.FindMessageByName(d.FullName())
	if err != nil {
		t.Fatal(err)
	}
	return mt.New().Interface()
}

// call sends one request to any method and gives the first answer's error.
func call(ctx context.Context, t testing.TB, conn *grpc.ClientConn, full string, request proto.Message) error {
	t.Helper()
	m := method(t, full)
	reply := newMessage(t, m.Output())
	if !m.IsStreamingClient() && !m.IsStreamingServer() {
		return conn.Invoke(ctx, full, request, reply)
	}
	ctx, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	s, err := conn.NewStream(ctx, &grpc.StreamDesc{ClientStreams: m.IsStreamingClient(), ServerStreams: m.IsStreamingServer()}, full)
	if err != nil {
		return err
	}
	// An end of file says that the answer is there already.
	if err := s.SendMsg(request); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	if err := s.CloseSend(); err != nil {
		return err
	}
	return s.RecvMsg(reply)
}

// methods lists every method of every service of ours that is registered.
func (k *kitchen) methods() []string {
	var out []string
	for name, info := range k.server.GRPC().GetServiceInfo() {
		if !strings.HasPrefix(name, "kettlebook.") {
			continue
		}
		for _, m := range info.Methods {
			out = append(out, "/"+name+"/"+m.Name)
		}
	}
	slices.Sort(out)
	return out
}

func TestEveryMethodHasALine(t *testing.T) {
	k := openKitchen(t)
	all := k.methods()
	for _, m := range all {
		if _, ok := server.InAccessTable(m); !ok {
			t.Errorf("%s is not in the access table", m)
		}
	}
	for _, m := range server.AccessTable() {
		if !slices.Contains(all, m) {
			t.Errorf("the access table has %s, which nobody serves", m)
		}
	}
}

// TestWhoMayCallWhat walks each method as each kind of caller over the real
// server.
func TestWhoMayCallWhat(t *testing.T) {
	k := furnished(t)
	before := k.state()
	for _, who := range everyCaller {
		for _, m := range k.methods() {
			service, name, _ := strings.Cut(strings.TrimPrefix(m, "/kettlebook.service.v1."), "/")
			list, known := mayCall[service][name]
			if !known {
				t.Fatalf("this test does not say who may call %s", m)
			}
			request := newMessage(t, method(t, m).Input())
			if r, ok := request.(*sv.SetPinRequest); ok {
				r.Initials = who // one's own
			}
			if name == "GetLog" || name == "WatchDay" || name == "GetDay" {
				request.ProtoReflect().Set(request.ProtoReflect().Descriptor().Fields().ByName("production_day"), protoreflect.ValueOfString(monday))
			}
			conn, ctx := k.caller(who)
			err := call(ctx, t, conn, m, request)
			_, reason := details(status.Convert(err))
			code := status.Code(err)
			switch {
			case slices.Contains(strings.Fields(list), who):
				if code == codes.PermissionDenied || code == codes.Unauthenticated && name != "SignIn" || code == codes.Internal || code == codes.Unimplemented {
					t.Errorf("%s may call %s: %v", who, m, err)
				}
			case who == nobody:
				if code != codes.Unauthenticated || reason != "NOT_SIGNED_IN" {
					t.Errorf("nobody called %s: %v", m, err)
				}
			default:
				if code != codes.PermissionDenied || reason != "NOT_ALLOWED" {
					t.Errorf("%s called %s: %v", who, m, err)
				}
			}
			if name == "SignOut" {
				k.tokens = nil // the session ended; the next call opens another
			}
		}
	}
	if after := k.state(); after != before {
		t.Errorf("empty requests changed the ledger: %v, then %v", before, after)
	}
}

// caller gives a bare connection of a caller.
func (k *kitchen) caller(who string) (*grpc.ClientConn, context.Context) {
	k.t.Helper()
	token := ""
	switch {
	case who == nobody:
	case who == operator:
		token = operatorToken
	default:
		if k.tokens == nil {
			k.tokens = map[string]string{}
		}
		if k.tokens[who] == "" {
			t, err := k.tokenOf(who)
			if err != nil {
				k.t.Fatal(err)
			}
			k.tokens[who] = t
		}
		token = k.tokens[who]
	}
	return k.raw(token)
}

// soundWrite is a request made when its turn has come.
type soundWrite struct {
	method, who string
	request     func() proto.Message
}

// soundWrites are requests that the service takes, one for each method that
// writes to the ledger, in an order in which they can follow each other, with
// who may send them.
func soundWrites(k *kitchen) []soundWrite {
	is := func(m proto.Message) func() proto.Message { return func() proto.Message { return m } }
	return []soundWrite{
		{sv.KitchenService_PutSite_FullMethodName, adele, is(&sv.PutSiteRequest{RequestId: k.id(), Site: site()})},
		{sv.KitchenService_PutPerson_FullMethodName, adele, is(&sv.PutPersonRequest{RequestId: k.id(), Person: &kb.Person{Initials: "NEW", PrintedName: "New Person", Roles: []kb.Role{kb.Role_ROLE_COOK}}})},
		{sv.KitchenService_PutInstrument_FullMethodName, adele, is(&sv.PutInstrumentRequest{RequestId: k.id(), Instrument: &kb.Instrument{InstrumentId: "C3", Scale: kb.Scale_SCALE_CELSIUS, Division: dec("1")}})},
		{sv.KitchenService_PutFormula_FullMethodName, rita, is(&sv.PutFormulaRequest{RequestId: k.id(), Formula: &kb.Formula{FormulaId: "N", Version: 1, Name: "n", Limits: []*kb.Limit{{Name: "c", Class: kb.LimitClass_LIMIT_CLASS_QUALITY, Basis: kb.LimitBasis_LIMIT_BASIS_TEMPERATURE, Low: tc("100")}}}})},
		{sv.KitchenService_ApproveFormula_FullMethodName, adele, is(&sv.ApproveFormulaRequest{RequestId: k.id(), Approval: &kb.FormulaApproval{FormulaId: "N", Version: 1}})},
		{sv.CheckService_RecordCheck_FullMethodName, anna, is(&sv.RecordCheckRequest{RequestId: k.id(), Check: &kb.Check{CheckId: "c1", InstrumentId: "C1", Points: []*kb.CheckPoint{ice(at(0, 5, 0), "0.1")}}})},
		{sv.CheckService_RecordPressure_FullMethodName, anna, is(&sv.RecordPressureRequest{RequestId: k.id(), Pressure: &kb.KitchenPressure{At: ts(at(0, 5, 0)), PressureHpa: dec("845"), Kind: kb.PressureKind_PRESSURE_KIND_MEASURED}})},
		{sv.BatchService_StartBatch_FullMethodName, anna, is(&sv.StartBatchRequest{RequestId: k.id(), Batch: &kb.BatchStart{LotCode: "L1", FormulaId: "FON", InstrumentId: "C1", StartedAt: ts(at(0, 5, 0))}})},
		{sv.BatchService_AddReadings_FullMethodName, anna, is(&sv.AddReadingsRequest{RequestId: k.id(), Readings: run("L1", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 5, 1), time.Minute, "80.0")})},
		{sv.BatchService_StreamReadings_FullMethodName, anna, is(&sv.StreamReadingsRequest{RequestId: k.id(), Readings: run("L1", "C1", kb.SeriesKind_SERIES_KIND_COOK, at(0, 5, 2), time.Minute, "90.0")})},
		{sv.BatchService_RecordPull_FullMethodName, anna, is(&sv.RecordPullRequest{RequestId: k.id(), Pull: &kb.Pull{LotCode: "L1", At: ts(at(0, 5, 3)), Reading: tc("111.0")}})},
		{sv.BatchService_RecordColdWaterTest_FullMethodName, anna, is(&sv.RecordColdWaterTestRequest{RequestId: k.id(), Test: &kb.ColdWaterTest{LotCode: "L1", At: ts(at(0, 5, 3)), Stage: "soft ball"}})},
		{sv.BatchService_EndBatch_FullMethodName, anna, is(&sv.EndBatchRequest{RequestId: k.id(), End: &kb.BatchEnd{LotCode: "L1", At: ts(at(0, 5, 4))}})},
		{sv.DeviationService_OpenDeviation_FullMethodName, anna, is(&sv.OpenDeviationRequest{RequestId: k.id(), Deviation: &kb.Deviation{DeviationId: "d1", Class: kb.DeviationClass_DEVIATION_CLASS_PROCESS, At: ts(at(0, 5, 0)), What: "spilt"}})},
		{sv.DeviationService_RecordAction_FullMethodName, anna, is(&sv.RecordActionRequest{RequestId: k.id(), Action: &kb.CorrectiveAction{DeviationId: "d1", At: ts(at(0, 5, 0)), Text: "wiped"}})},
		{sv.DeviationService_RecordDisposition_FullMethodName, rita, is(&sv.RecordDispositionRequest{RequestId: k.id(), Disposition: &kb.Disposition{LotCode: "L1", At: ts(at(0, 5, 0)), Kind: kb.DispositionKind_DISPOSITION_KIND_HOLD, Reason: "wait"}})},
		{sv.DeviationService_Amend_FullMethodName, anna, is(&sv.AmendRequest{RequestId: k.id(), Amendment: &kb.Amendment{TargetSequence: k.state().size + 6, Value: tc("0.2"), Reason: "misread"}})},
		{sv.BatchService_VoidBatch_FullMethodName, anna, is(&sv.VoidBatchRequest{RequestId: k.id(), Void: &kb.BatchVoid{LotCode: "L1", Reason: "opened by mistake"}})},
		{sv.DayService_SealDay_FullMethodName, operator, func() proto.Message {
			_, day := k.day(tuesday)
			return &sv.SealDayRequest{RequestId: k.id(), Seal: &kb.DaySeal{ProductionDay: tuesday, LedgerSize: day.GetLedgerSize(), ContentSha256: day.GetContentSha256()}}
		}},
		{sv.DayService_ReviewDay_FullMethodName, rita, func() proto.Message {
			_, day := k.day(tuesday)
			return k.signed(rita, tuesday, day)
		}},
		{sv.SheetService_TakeSheet_FullMethodName, operator, is(&sv.TakeSheetRequest{Sheet: "s", Rows: []*sv.SheetRow{{RowKey: "1", Record: &sv.SheetRow_Person{Person: &kb.Person{Initials: "SH", PrintedName: "S H", Roles: []kb.Role{kb.Role_ROLE_COOK}}}}}})},
	}
}

// TestInspectorChangesNothing: whatever an inspector or nobody sends, and
// however sound it is, the ledger stays as it is; those who may, may.
func TestInspectorChangesNothing(t *testing.T) {
	k := furnished(t)
	k.clock.Set(at(0, 6, 0))
	writes := soundWrites(k)
	var covered []string
	for _, w := range writes {
		covered = append(covered, w.method)
		if reading(method(t, w.method)) {
			t.Errorf("%s is marked as having no side effects", w.method)
		}
	}
	before := k.state()
	for _, who := range []string{nobody, ines} {
		conn, ctx := k.caller(who)
		for _, w := range writes {
			if err := call(ctx, t, conn, w.method, w.request()); status.Code(err) != codes.PermissionDenied && status.Code(err) != codes.Unauthenticated {
				t.Errorf("%s sent %s: %v", who, w.method, err)
			}
		}
	}
	// What an inspector may call leaves no entry either.
	conn, asInes := k.caller(ines)
	for _, m := range k.methods() {
		if slices.Contains(covered, m) {
			continue
		}
		if !reading(method(t, m)) && !strings.Contains(m, "SessionService") {
			t.Errorf("%s writes, and this test does not send it", m)
			continue
		}
		request := newMessage(t, method(t, m).Input())
		if r, ok := request.(*sv.SetPinRequest); ok {
			r.Initials, r.NewPin = ines, pins[ines]
		}
		if strings.HasSuffix(m, "SignOut") || strings.HasSuffix(m, "SetPin") {
			continue // they end the session; below
		}
		_ = call(asInes, t, conn, m, request) // its answer is none of this test's business
	}
	must(t)(k.as(ines).Session.SetPin(ctx, &sv.SetPinRequest{Initials: ines, NewPin: pins[ines]}))
	if after := k.state(); after != before {
		t.Fatalf("the ledger was %v and is %v", before, after)
	}
	for _, w := range writes {
		conn, ctx := k.caller(w.who)
		size := k.state().size
		if err := call(ctx, t, conn, w.method, w.request()); err != nil {
			t.Fatalf("%s sent %s: %v", w.who, w.method, err)
		}
		if k.state().size == size {
			t.Errorf("%s wrote nothing", w.method)
		}
	}
}

// TestOpenToAll: health can be asked and the services listed without a session.
func TestOpenToAll(t *testing.T) {
	k := openKitchen(t)
	conn, ctx := k.raw("")
	r, err := healthpb.NewHealthClient(conn).Check(ctx, &healthpb.HealthCheckRequest{})
	if err != nil || r.GetStatus() != healthpb.HealthCheckResponse_SERVING {
		t.Errorf("health: %v, %v", r, err)
	}
	if err := conn.Invoke(ctx, "/kettlebook.service.v1.KitchenService/DropEverything", &sv.GetSiteRequest{}, &sv.GetSiteResponse{}); status.Code(err) != codes.Unimplemented {
		t.Errorf("a method that is not there: %v", err)
	}
	var names []string
	for name := range k.server.GRPC().GetServiceInfo() {
		names = append(names, name)
	}
	if !slices.Contains(names, "grpc.reflection.v1.ServerReflection") {
		t.Errorf("reflection is not served: %q", names)
	}
}
