package records

import (
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	kb "kettlebook/proto/kettlebook/v1"
)

// Kinds of the staff register.
const (
	// KindPerson holds the latest entry of each person, by initials.
	KindPerson = "person"
	// KindPersonVersion holds all of them; index "at": initials, time.
	KindPersonVersion = "person_version"
)

var _ = register(validatePerson, func(e Entry, m *kb.Person) (Projection, error) {
	return versions(e, KindPerson, KindPersonVersion, m.GetInitials(), m)
})

func validatePerson(m *kb.Person) error {
	if err := text("printed_name", m.GetPrintedName(), 1, 120); err != nil {
		return err
	}
	if err := text("initials", m.GetInitials(), 1, 8); err != nil {
		return err
	}
	for _, r := range m.GetInitials() {
		if !unicode.IsLetter(r) && !unicode.IsDigit(r) {
			return invalid("initials", "use letters and digits only", "%q cannot be initials", m.GetInitials())
		}
	}
	if len(m.GetRoles()) == 0 {
		return invalid("roles", "give at least one role", "is empty")
	}
	if slices.Contains(m.GetRoles(), kb.Role_ROLE_UNSPECIFIED) {
		return invalid("roles", "cook, reviewer, administrator or inspector", "holds an unspecified role")
	}
	if len(m.GetRoles()) > 1 && slices.Contains(m.GetRoles(), kb.Role_ROLE_INSPECTOR) {
		return invalid("roles", "an inspector reads only: give no other role", "inspector with another role")
	}
	return nil
}

// PersonFacts is what is known when a person is entered.
type PersonFacts struct {
	// Known is the register's entry for the initials.
	Known Doc[*kb.Person]
}

// DecidePerson enters a person or a new version of one. Initials are never
// given to somebody else: a different printed name under known initials is
// refused (ErrExists) unless only its writing changes and rename is set.
func DecidePerson(f PersonFacts, act Act, day string, m *kb.Person, rename bool) ([]Draft, error) {
	if err := Validate(m); err != nil {
		return nil, err
	}
	if f.Known.Has() && f.Known.Record.GetPrintedName() != m.GetPrintedName() && !rename {
		return nil, refuse(ErrExists, "initials", "choose other initials", "%s belongs to %s", m.GetInitials(), f.Known.Record.GetPrintedName())
	}
	return []Draft{{Act: act, OccurredAt: act.RecordedAt, Day: day, Payload: m}}, nil
}

// Initials makes initials from a printed name: the first letters of its
// words, upper case. Taken ones get a number: the same set of names in the
// same order gives the same initials.
func Initials(printedName string, taken func(string) bool) string {
	var b strings.Builder
	for _, w := range strings.Fields(strings.NewReplacer(".", " ", "-", " ").Replace(printedName)) {
		if i := strings.IndexFunc(w, func(r rune) bool { return unicode.IsLetter(r) || unicode.IsDigit(r) }); i >= 0 {
			first, _ := utf8.DecodeRuneInString(w[i:])
			b.WriteRune(unicode.ToUpper(first))
		}
	}
	base := []rune(b.String())
	if len(base) > 6 {
		base = base[:6]
	}
	if len(base) == 0 {
		base = []rune("X")
	}
	s := string(base)
	for i := 2; taken(s); i++ {
		s = string(base) + FormatMicro(int64(i)*One, 0)
	}
	return s
}
