package sugar

import "fmt"

// AwLimit is a published limit of water activity.
type AwLimit struct {
	// Aw is the limit and Says what stops at or below it.
	Aw     float64
	Says   string
	Source string
}

const srcBeuchat = "Beuchat 1981, Cereal Foods World 26:345, read"

// AwLimits are the published limits, highest first.
func AwLimits() []AwLimit {
	return []AwLimit{
		{0.95, "Pseudomonas, Escherichia, Bacillus, C. perfringens stop", srcBeuchat},
		{0.91, "most bacteria stop, Salmonella and C. botulinum among them", srcBeuchat},
		{0.87, "many yeasts stop", srcBeuchat},
		{0.85, "the line of 21 CFR 108, 113 and 114 for the finished product", "FDA Inspection Technical Guide 39 (1984), read"},
		{0.80, "most moulds and Staphylococcus aureus stop", srcBeuchat},
		{0.75, "halophilic bacteria and mycotoxin-forming aspergilli stop", srcBeuchat},
		{0.65, "xerophilic moulds stop", srcBeuchat},
		{0.60, "osmophilic yeasts stop; nothing is known to grow below", srcBeuchat},
	}
}

// Standing is where a water activity stands against one limit.
type Standing int

const (
	// AwAbove: the whole range lies above the limit.
	AwAbove Standing = iota
	// AwUnclear: the range reaches across the limit; measure it.
	AwUnclear
	// AwAtOrBelow: the whole range lies at or below the limit.
	AwAtOrBelow
)

// String says the standing in words.
func (s Standing) String() string {
	switch s {
	case AwAbove:
		return "above"
	case AwAtOrBelow:
		return "at or below"
	}
	return "cannot be told"
}

// Against sets the whole range of a result against a limit.
func (r WaterActivityResult) Against(limit float64) Standing {
	switch {
	case r.LowAw > limit:
		return AwAbove
	case r.HighAw <= limit:
		return AwAtOrBelow
	}
	return AwUnclear
}

// InteractionCell is what a cell of the interaction tables says, in the tables'
// own short words. It quotes the table and decides nothing (see AwNotice).
type InteractionCell string

// What the cells say.
const (
	CellNotTCS     InteractionCell = "non-TCS"
	CellAssessment InteractionCell = "product assessment required"
)

// Interaction is the reading of the interaction tables of water activity and pH
// (FDA Food Code 1-201.10, read in state adoptions).
type Interaction struct {
	// Table is "A" (heat-treated and packaged) or "B" (not so).
	Table string
	// AtAw is the cell at the middle figure, AtHighAw at the upper end of its
	// range: the one to go by.
	AtAw, AtHighAw InteractionCell
	// Notice is AwNotice.
	Notice string
}

// Interaction looks up the tables at pH (0..14). packaged means heat-treated to
// destroy vegetative cells and then packaged (table A). Errors: ErrNotANumber,
// ErrUncertainty for a pH out of range.
func (r WaterActivityResult) Interaction(pH float64, packaged bool) (Interaction, error) {
	if err := finite("pH", pH, r.Aw, r.HighAw); err != nil {
		return Interaction{}, err
	}
	if pH < 0 || pH > 14 {
		return Interaction{}, fmt.Errorf("pH %g: %w", pH, ErrUncertainty)
	}
	look, name := tableB, "B"
	if packaged {
		look, name = tableA, "A"
	}
	return Interaction{Table: name, AtAw: look(r.Aw, pH), AtHighAw: look(r.HighAw, pH), Notice: AwNotice}, nil
}

func tableA(aw, pH float64) InteractionCell {
	switch {
	case aw <= 0.92 || pH <= 4.6 || pH <= 5.6 && aw <= 0.95:
		return CellNotTCS
	}
	return CellAssessment
}

func tableB(aw, pH float64) InteractionCell {
	switch {
	case aw < 0.88 || pH < 4.2:
		return CellNotTCS
	case aw <= 0.90 && pH <= 5.0, aw <= 0.92 && pH <= 4.6:
		return CellNotTCS
	}
	return CellAssessment
}
