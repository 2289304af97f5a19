package sugar

import (
	"fmt"
	"strings"
)

// Basis says what a stage is: a solids content, whose temperature moves with
// the air pressure, or a temperature, which does not.
type Basis int

const (
	// SolidsBasis: thread to hard crack.
	SolidsBasis Basis = iota
	// TemperatureBasis: caramel, a reaction set by true temperature and time.
	TemperatureBasis
)

// String is "solids" or "temperature".
func (b Basis) String() string {
	if b == TemperatureBasis {
		return "temperature"
	}
	return "solids"
}

// Use is what a stage is cooked for, with where that was printed.
type Use struct {
	Product string
	Source  string
}

// Stage is one of the stages of boiled sugar.
type Stage struct {
	// Name is the trade's word, in lower case: "soft ball".
	Name string
	// Index counts from 0 (thread) to 6 (caramel).
	Index int
	// Basis says whether the band moves with pressure.
	Basis Basis
	// LowC and HighC are the band at standard pressure, degC, ends included.
	LowC, HighC float64
	// LowSoftC is the lowest low end and HighSoftC the highest high end that a
	// published table prints, degC at standard pressure: the soft edges.
	LowSoftC, HighSoftC float64
	// LowLatestC is the highest low end and HighEarliestC the lowest high end
	// that a table prints: between these two all tables agree, where the first
	// lies below the second.
	LowLatestC, HighEarliestC float64
	// LowPct and HighPct are the solids contents of the band by the model, per
	// cent by mass, rounded to 0.1; zero for caramel.
	LowPct, HighPct float64
	// ColdWater is what a drop does in cold water, or what is seen.
	ColdWater string
	// UsedFor is what is cooked to this stage.
	UsedFor []Use
	// Sources of the band.
	Sources []string
}

// Where the bands and uses come from. The disagreement of the tables is the
// soft edge of each stage; testdata/sugar_stages_published.csv holds them.
const (
	srcBand     = "recipe table of degC bands, read: thread 110-112, soft ball 112-116, firm ball 118-120, hard ball 121-130, soft crack 132-143, hard crack 146-154"
	srcSpread   = "spread of 13 published stage tables flagged read (testdata/sugar_stages_spread.csv)"
	srcMcGee    = "McGee, On Food and Cooking, stage table, read"
	srcMuseum   = "museum stage page, read for thread and soft ball, otherwise from memory"
	srcEncycl   = "recipe table of encyclopedia type, read"
	srcHumid    = "recipe table with humid-day figures, read"
	srcOldBooks = "Bradley 1917 and Escoffier (182 degC), read"
	srcPractice = "common practice, no source"
)

// BurntAboveC is the temperature in degC above which sugar is called burnt: the
// top of the caramel band. Tables print burnt from 177 degC on (read), and shades
// of caramel up to 193 degC (McGee, read), so the edge is soft on both sides.
const BurntAboveC = 182.0

// Burnt is the word for sugar past caramel, and burntIndex its place in line.
const (
	Burnt      = "burnt"
	burntIndex = 7
)

// Stages are the seven stages from thread to caramel, in order. The slice is the
// caller's own.
func Stages() []Stage {
	list := make([]Stage, len(stages))
	copy(list, stages[:])
	for i := range list {
		list[i].UsedFor = append([]Use(nil), list[i].UsedFor...)
		list[i].Sources = append([]string(nil), list[i].Sources...)
	}
	return list
}

var stages = [...]Stage{
	{
		Name: "thread", Index: 0, LowC: 110, HighC: 112, LowPct: 80.8, HighPct: 83.1,
		LowSoftC: 101.7, LowLatestC: 110, HighEarliestC: 111.7, HighSoftC: 112.8,
		ColdWater: "draws a thread between the fingers, makes no ball",
		UsedFor:   []Use{{"syrups", srcMcGee}, {"preserves", srcMcGee}},
		Sources:   []string{srcBand, srcSpread},
	},
	{
		Name: "soft ball", Index: 1, LowC: 112, HighC: 116, LowPct: 83.1, HighPct: 86.5,
		LowSoftC: 112, LowLatestC: 115.6, HighEarliestC: 113.3, HighSoftC: 116.1,
		ColdWater: "a ball that flattens out of the water",
		UsedFor: []Use{
			{"fondant", srcMcGee}, {"fudge", srcMcGee},
			{"pralines (one tradition; another takes them to caramel)", srcMuseum},
		},
		Sources: []string{srcBand, srcSpread},
	},
	{
		Name: "firm ball", Index: 2, LowC: 118, HighC: 120, LowPct: 87.8, HighPct: 88.9,
		LowSoftC: 114.4, LowLatestC: 118.9, HighEarliestC: 115.6, HighSoftC: 121.1,
		ColdWater: "a ball that holds and flattens when pressed",
		UsedFor:   []Use{{"soft caramels", srcMcGee + "; " + srcHumid}},
		Sources:   []string{srcBand, srcSpread},
	},
	{
		Name: "hard ball", Index: 3, LowC: 121, HighC: 130, LowPct: 89.4, HighPct: 92.7,
		LowSoftC: 118.9, LowLatestC: 129.4, HighEarliestC: 120, HighSoftC: 132.2,
		ColdWater: "a ball that holds and gives a little under pressure",
		UsedFor: []Use{
			{"marshmallow", srcMcGee}, {"nougat", srcMcGee + "; " + srcEncycl},
			{"divinity", srcMuseum},
		},
		Sources: []string{srcBand, srcSpread},
	},
	{
		Name: "soft crack", Index: 4, LowC: 132, HighC: 143, LowPct: 93.2, HighPct: 95.7,
		LowSoftC: 132, LowLatestC: 140.6, HighEarliestC: 142.8, HighSoftC: 143.3,
		ColdWater: "hard threads that bend",
		UsedFor:   []Use{{"taffy", srcMcGee + "; " + srcEncycl}, {"butterscotch", srcMuseum}},
		Sources:   []string{srcBand, srcSpread},
	},
	{
		Name: "hard crack", Index: 5, LowC: 146, HighC: 154, LowPct: 96.3, HighPct: 98.0,
		LowSoftC: 143.3, LowLatestC: 157.2, HighEarliestC: 153.9, HighSoftC: 154.4,
		ColdWater: "brittle threads that snap and do not stick to the teeth",
		UsedFor: []Use{
			{"brittle", srcMcGee + "; " + srcHumid}, {"hard sweets", srcMuseum + "; " + srcHumid},
			{"toffee", srcEncycl}, {"butterscotch", srcMcGee},
		},
		Sources: []string{srcBand, srcSpread},
	},
	{
		Name: "caramel", Index: 6, Basis: TemperatureBasis, LowC: 160, HighC: BurntAboveC,
		LowSoftC: 154.4, LowLatestC: 182.2, HighEarliestC: 170, HighSoftC: 193.3,
		ColdWater: "no cold-water test: judged by colour, smell and temperature",
		UsedFor: []Use{
			{"caramel sauce", srcPractice}, {"liquid caramel", srcEncycl},
			{"spun sugar", srcMcGee},
			{"pralines (one tradition; another stops at soft ball)", srcPractice},
		},
		Sources: []string{srcEncycl, srcMcGee, srcOldBooks},
	},
}

// StageIndex is the place of a stage in line: 0 thread, 1 soft ball, 2 firm
// ball, 3 hard ball, 4 soft crack, 5 hard crack, 6 caramel, 7 burnt. Case,
// hyphens, underscores and surrounding space do not matter. Error: ErrUnknownStage.
func StageIndex(name string) (int, error) {
	plain := strings.Join(strings.FieldsFunc(strings.ToLower(name), func(r rune) bool {
		return r == ' ' || r == '-' || r == '_' || r == '\t'
	}), " ")
	for i := range stages {
		if stages[i].Name == plain {
			return i, nil
		}
	}
	if plain == Burnt {
		return burntIndex, nil
	}
	return 0, fmt.Errorf("stage %q: %w", name, ErrUnknownStage)
}
