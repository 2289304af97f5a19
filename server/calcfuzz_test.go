package server_test

import (
	"errors"
	"math"
	"testing"

	"google.golang.org/protobuf/proto"

	"kettlebook/records"
)

// answersOrRefuses asks and checks what must hold whatever was asked: no panic, an
// answer of finite numbers, or a refusal that names its field.
func answersOrRefuses(t *testing.T, a ask) {
	t.Helper()
	got, err := reckon(a)
	if err != nil {
		var fe *records.FieldError
		if !errors.As(err, &fe) || !errors.Is(err, records.ErrInvalid) || fe.Field == "" || fe.Problem == "" {
			t.Fatalf("%s: error %v names no field; asked %v", a.name, err, a.request)
		}
		return
	}
	if err := records.CheckFinite(got); err != nil {
		t.Fatalf("%s: %v in %v; asked %v", a.name, err, got, a.request)
	}
}

// FuzzCalculations puts two numbers of the fuzzer's into a sound request, so that all
// but those two is what people ask.
func FuzzCalculations(f *testing.F) {
	extremes := []float64{0, -1, 1e-300, 1e300, math.NaN(), math.Inf(1), math.Inf(-1), 98, 100, 0.001, 300, 1100}
	for i, a := range asks() {
		n := len(numbers("", a.request.ProtoReflect()))
		for at := range min(n, 40) {
			f.Add(uint8(i), uint16(at), extremes[(i+at)%len(extremes)], uint16(at*7+1), extremes[(3*i+5*at)%len(extremes)])
		}
	}
	f.Fuzz(func(t *testing.T, which uint8, first uint16, v float64, second uint16, w float64) {
		all := asks()
		a := all[int(which)%len(all)]
		list := numbers("", a.request.ProtoReflect())
		list[int(first)%len(list)].put(v)
		list[int(second)%len(list)].put(w)
		answersOrRefuses(t, a)
	})
}

// FuzzCalculationBytes reads the fuzzer's bytes as requests over a sound one.
func FuzzCalculationBytes(f *testing.F) {
	for i, a := range asks() {
		b, err := proto.Marshal(a.request)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(uint8(i), b)
		f.Add(uint8(i+1), b)
	}
	f.Fuzz(func(t *testing.T, which uint8, b []byte) {
		all := asks()
		a := all[int(which)%len(all)]
		m := a.request.ProtoReflect().New().Interface()
		if proto.Unmarshal(b, m) != nil {
			return
		}
		answersOrRefuses(t, ask{a.name, m})
	})
}
