package server_test

import (
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/anypb"

	"kettlebook/client"
	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
)

// tablet is one device that works through invented entries of its own.
type tablet struct {
	name   string
	c      *client.Client
	dice   *rand.Rand
	ids    int
	mine   []string         // lots it opened
	opened map[string]int64 // the entries that opened them
	kept   map[string]*sv.Receipt
	codes  map[codes.Code]int
}

func (b *tablet) id() string {
	b.ids++
	return testID(fmt.Sprint(b.name, b.ids))
}

// note keeps what was acknowledged, and what a refusal was.
func (b *tablet) note(r interface{ GetReceipt() *sv.Receipt }, err error) {
	b.codes[status.Code(err)]++
	if err == nil {
		b.kept[r.GetReceipt().GetRequestId()] = r.GetReceipt()
	}
}

// step does one thing, sensible or not.
func (b *tablet) step(i int) {
	at := at(b.dice.IntN(3), 6, i).Add(time.Duration(b.dice.IntN(50)) * time.Second)
	inst := []string{"C1", "C2"}[b.dice.IntN(2)]
	lot := fmt.Sprintf("%s-%02d", b.name, i)
	if len(b.mine) > 0 {
		lot = b.mine[b.dice.IntN(len(b.mine))]
	}
	switch b.dice.IntN(11) {
	case 0:
		boiling := []string{"95.0", "97.4", "100.0"}[b.dice.IntN(3)]
		m := &kb.Check{CheckId: b.id(), InstrumentId: inst, Points: []*kb.CheckPoint{ice(at, "0.1"), boil(at.Add(time.Minute), boiling, []string{"845.0", "", "1014.0"}[b.dice.IntN(3)])}}
		switch b.dice.IntN(3) {
		case 0:
			m.Points = append(m.Points, compared(at.Add(2*time.Minute), []string{"150.2", "152.9"}[b.dice.IntN(2)], "150.10"))
		case 1:
			m.Adjusted, m.Adjustment = true, "screw turned"
			m.Points = append(m.Points, left(ice(at.Add(10*time.Minute), []string{"0.0", "1.7"}[b.dice.IntN(2)])))
		}
		r, err := b.c.Check.RecordCheck(ctx, &sv.RecordCheckRequest{RequestId: b.id(), Check: m})
		b.note(r, err)
	case 1:
		r, err := b.c.Check.RecordPressure(ctx, &sv.RecordPressureRequest{RequestId: b.id(), Pressure: &kb.KitchenPressure{At: ts(at), PressureHpa: dec("846.1"), Kind: kb.PressureKind_PRESSURE_KIND_MEASURED}})
		b.note(r, err)
	case 2, 3:
		lot = fmt.Sprintf("%s-%02d", b.name, i)
		r, err := b.c.Batch.StartBatch(ctx, &sv.StartBatchRequest{RequestId: b.id(), Batch: &kb.BatchStart{LotCode: lot, FormulaId: "FON", InstrumentId: inst, StartedAt: ts(at)}})
		b.note(r, err)
		b.mine = append(b.mine, lot)
		b.opened[lot] = r.GetReceipt().GetFirstSequence()
	case 4, 5:
		series := kb.SeriesKind_SERIES_KIND_COOK
		if b.dice.IntN(3) == 0 {
			series = kb.SeriesKind_SERIES_KIND_COOLING
		}
		r, err := b.c.Batch.AddReadings(ctx, &sv.AddReadingsRequest{RequestId: b.id(), Readings: run(lot, inst, series, at, 30*time.Second, "60.0", "58.0", "20.0")})
		b.note(r, err)
	case 6:
		r, err := b.c.Batch.RecordPull(ctx, &sv.RecordPullRequest{RequestId: b.id(), Pull: &kb.Pull{LotCode: lot, At: ts(at), Reading: tc("111.0")}})
		b.note(r, err)
	case 7:
		r, err := b.c.Batch.EndBatch(ctx, &sv.EndBatchRequest{RequestId: b.id(), End: &kb.BatchEnd{LotCode: lot, At: ts(at.Add(time.Hour))}})
		b.note(r, err)
	case 8:
		r, err := b.c.Batch.RecordColdWaterTest(ctx, &sv.RecordColdWaterTestRequest{RequestId: b.id(), Test: &kb.ColdWaterTest{LotCode: lot, At: ts(at), Stage: "hard crack"}})
		b.note(r, err)
	case 9:
		if b.dice.IntN(4) == 0 {
			r, err := b.c.Batch.VoidBatch(ctx, &sv.VoidBatchRequest{RequestId: b.id(), Void: &kb.BatchVoid{LotCode: lot, Reason: "opened by mistake"}})
			b.note(r, err)
			return
		}
		a, err := anypb.New(&kb.BatchStart{LotCode: lot, FormulaId: "FON", Version: 1, InstrumentId: inst, StartedAt: ts(at)})
		if err != nil {
			panic(err)
		}
		r, err := b.c.Deviation.Amend(ctx, &sv.AmendRequest{RequestId: b.id(), Amendment: &kb.Amendment{TargetSequence: b.opened[lot], Replacement: a, Reason: "wrong thermometer"}})
		b.note(r, err)
	default:
		r, err := b.c.Deviation.Amend(ctx, &sv.AmendRequest{RequestId: b.id(), Amendment: &kb.Amendment{TargetSequence: int64(20 + b.dice.IntN(60)), Value: tc("1.2"), Reason: "guess"}})
		b.note(r, err)
	}
}

// TestManyTablets: five tablets write at once what comes to mind, while two
// people look on and one reviews; nothing acknowledged is lost, nothing breaks
// inside, and what is looked up is what the entries say.
func TestManyTablets(t *testing.T) {
	k := furnished(t)
	k.clock.Set(at(2, 22, 0))
	var tablets []*tablet
	for i := range 5 {
		who := []string{anna, bo}[i%2]
		c := k.dial("")
		must(t)(c.SignIn(ctx, who, pins[who], fmt.Sprint("tablet ", i)))
		tablets = append(tablets, &tablet{name: fmt.Sprint("T", i), c: c, dice: rand.New(rand.NewPCG(uint64(i), 7)), opened: map[string]int64{}, kept: map[string]*sv.Receipt{}, codes: map[codes.Code]int{}})
	}
	lookers := []*client.Client{k.as(ines), k.as(adele)}
	var writing, looking sync.WaitGroup
	stop := make(chan struct{})
	for _, c := range lookers {
		looking.Go(func() {
			for {
				select {
				case <-stop:
					return
				case <-time.After(5 * time.Millisecond):
				}
				if _, err := c.Day.GetDay(ctx, &sv.GetDayRequest{ProductionDay: monday}); err != nil {
					t.Error(err)
				}
			}
		})
	}
	for _, b := range tablets {
		writing.Go(func() {
			for i := range 24 {
				b.step(i)
			}
		})
	}
	writing.Wait()
	close(stop)
	looking.Wait()

	entries := k.entries(0)
	kept := 0
	for _, b := range tablets {
		for code, n := range b.codes {
			switch code {
			case codes.OK, codes.InvalidArgument, codes.FailedPrecondition, codes.AlreadyExists:
			default:
				t.Errorf("%s: %v %d times", b.name, code, n)
			}
		}
		for id, r := range b.kept {
			kept++
			for s := r.GetFirstSequence(); s < r.GetFirstSequence()+r.GetCount(); s++ {
				if entries[s-1].GetRequestId() != id {
					t.Errorf("entry %d of request %s is of %s", s, id, entries[s-1].GetRequestId())
				}
			}
		}
	}
	if kept < 60 {
		t.Errorf("only %d requests were taken", kept)
	}
	if s := k.log.String(); s != "" {
		t.Errorf("the server's log: %s", s)
	}
	must(t)(k.review(rita, monday))
	digest, err := k.store.Digest(ctx)
	if err != nil {
		t.Fatal(err)
	}
	content := k.threeDays()
	if err := k.store.Rebuild(ctx); err != nil {
		t.Fatal(err)
	}
	if again, err := k.store.Digest(ctx); err != nil || again != digest {
		t.Errorf("rebuilt, the projections differ (%v)", err)
	}
	if k.threeDays() != content {
		t.Error("rebuilt, the day differs")
	}
	sound(t, k)
	settled(t, k)
	// A start finds nothing left half done: all that follows has followed.
	size := k.state().size
	if k.restart() != size {
		for _, e := range k.entries(size) {
			t.Errorf("only the next start wrote %s", e.Message.ProtoReflect().Descriptor().Name())
		}
	}
}
