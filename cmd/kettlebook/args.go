package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

// atHelp is what every --at says of itself.
const atHelp = "when: 05:45 (the last time the kitchen's clock showed that), 2026-03-02T05:45, or with a zone 2026-03-02T05:45:00-07:00; now when absent"

// wrong is a usage error about one argument.
func wrong(argument string, err error) error {
	var fe *records.FieldError
	var said *exitError
	switch {
	case errors.As(err, &said):
		return err // it names the argument itself
	case !errors.As(err, &fe):
		return usage("%s: %v", argument, err)
	}
	text := fmt.Sprintf("%s: %s", argument, fe.Problem)
	if fe.Cure != "" {
		text += "\nhint: " + fe.Cure
	}
	return usage("%s", text)
}

// blame names the argument that a field of the request came from. at holds
// the longest known beginning of a field's path for each argument.
func blame(err error, at map[string]string) error {
	var fe *records.FieldError
	if !errors.As(err, &fe) || fe.Field == "" {
		return err
	}
	best := ""
	for path := range at {
		rest, ok := strings.CutPrefix(fe.Field, path)
		if ok && len(path) > len(best) && (rest == "" || rest[0] == '.' || rest[0] == '[') {
			best = path
		}
	}
	if best == "" {
		return err
	}
	c := *fe
	c.Field = at[best]
	if strings.HasPrefix(c.Problem, "is ") && fe.Field != best {
		// "is missing" speaks of the field, not of the whole argument.
		last := fe.Field[strings.LastIndexByte(fe.Field, '.')+1:]
		c.Problem = strings.ReplaceAll(last, "_", " ") + " " + c.Problem
	}
	return &c
}

// parseTemperature reads 205.4F or 96.3C, as the dial shows it.
func parseTemperature(argument, text string) (*kb.Temperature, error) {
	value := strings.TrimRight(text, "CFcfdeg° ")
	unit := strings.ToUpper(strings.Trim(text[len(value):], "deg° "))
	if unit == "" {
		return nil, usage("%s: %q does not say its unit\nhint: write %sC or %sF, as the dial shows it", argument, text, value, value)
	}
	t, err := records.ParseTemperature(value, unit)
	if err != nil {
		return nil, wrong(argument, err)
	}
	return t, nil
}

// optionalTemperature is parseTemperature, nil for an empty text.
func optionalTemperature(argument, text string) (*kb.Temperature, error) {
	if text == "" {
		return nil, nil
	}
	return parseTemperature(argument, text)
}

// optionalDecimal reads a plain number, nil for an empty text.
func optionalDecimal(argument, text string) (*kb.Decimal, error) {
	if text == "" {
		return nil, nil
	}
	d, err := records.ParseDecimal(text)
	if err != nil {
		return nil, wrong(argument, err)
	}
	return d, nil
}

// parseTime reads a time as people write it. A time of day is the last moment
// at which the kitchen's clock showed it.
func parseTime(argument, text string, zone *time.Location, now time.Time) (*timestamppb.Timestamp, error) {
	if text == "" {
		return timestamppb.New(now), nil
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return timestamppb.New(t), nil
	}
	for _, layout := range []string{"2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02 15:04:05", "2006-01-02 15:04"} {
		if t, err := time.ParseInLocation(layout, text, zone); err == nil {
			return timestamppb.New(t), nil
		}
	}
	for _, layout := range []string{"15:04:05", "15:04"} {
		t, err := time.Parse(layout, text)
		if err != nil {
			continue
		}
		today := now.In(zone)
		at := time.Date(today.Year(), today.Month(), today.Day(), t.Hour(), t.Minute(), t.Second(), 0, zone)
		if at.After(now) {
			at = time.Date(today.Year(), today.Month(), today.Day()-1, t.Hour(), t.Minute(), t.Second(), 0, zone)
		}
		return timestamppb.New(at), nil
	}
	return nil, usage("%s: %q is no time\nhint: write 05:45, or 2026-03-02T05:45, or 2026-03-02T05:45:00-07:00", argument, text)
}

// at reads --at on the kitchen's clock.
func (s *session) at(ctx context.Context, text string) (*timestamppb.Timestamp, error) {
	return parseTime("--at", text, s.zone(ctx), time.Now())
}

// claim is an argument of the form HEAD=VALUE,KEY=VALUE,WORD, ...
type claim struct {
	text, head, value string
	more              map[string]string // a word stands with itself as its value
}

// parseClaim reads a claim; keys are the keys and words it may have. The value
// of note is all that follows, commas too.
func parseClaim(text string, keys ...string) (claim, error) {
	c := claim{text: text, more: map[string]string{}}
	first, rest, _ := strings.Cut(text, ",")
	c.head, c.value, _ = strings.Cut(first, "=")
	for rest != "" {
		var part string
		if strings.HasPrefix(rest, "note=") {
			part, rest = rest, ""
		} else {
			part, rest, _ = strings.Cut(rest, ",")
		}
		key, value, ok := strings.Cut(part, "=")
		if !ok {
			value = key
		}
		if !slices.Contains(keys, key) {
			return c, usage("%s: there is no %q here\nhint: after the comma: %s", text, key, strings.Join(keys, ", "))
		}
		c.more[key] = value
	}
	return c, nil
}

// parseEnum finds a value of an enum by its word: "instrument fault" for
// DEVIATION_CLASS_INSTRUMENT_FAULT; dashes count as blanks.
func parseEnum(argument, word string, of protoreflect.EnumDescriptor) (protoreflect.EnumNumber, error) {
	var words []string
	for i := range of.Values().Len() {
		v := of.Values().Get(i)
		if v.Number() == 0 {
			continue
		}
		w := enumWord(v)
		if strings.EqualFold(strings.NewReplacer("-", " ", "_", " ").Replace(word), w) {
			return v.Number(), nil
		}
		words = append(words, w)
	}
	return 0, usage("%s: %q is none of %s", argument, word, strings.Join(words, ", "))
}

// enumWord is the word for a value of an enum: its name without the enum's own.
func enumWord(v protoreflect.EnumValueDescriptor) string {
	prefix := ""
	for i, r := range string(v.Parent().Name()) {
		if i > 0 && r >= 'A' && r <= 'Z' {
			prefix += "_"
		}
		prefix += string(r)
	}
	word := strings.TrimPrefix(string(v.Name()), strings.ToUpper(prefix)+"_")
	return strings.ToLower(strings.ReplaceAll(word, "_", " "))
}

// word is the word for an enum's value; empty when it is not given.
func word(e protoreflect.Enum) string {
	v := e.Descriptor().Values().ByNumber(e.Number())
	if v == nil || v.Number() == 0 {
		return ""
	}
	return enumWord(v)
}
