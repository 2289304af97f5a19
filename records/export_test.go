package records

import (
	"maps"
	"slices"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// What the tests of rules need to see of the inside.

// NounNames lists the full names of all messages that may be records.
func NounNames() []protoreflect.FullName { return slices.Sorted(maps.Keys(nouns)) }

// CorrectionPoints is the choice of points that correct a reading.
var CorrectionPoints = correctionPoints

// RoundMicro rounds half to even to a multiple of a step.
var RoundMicro = roundMicro
