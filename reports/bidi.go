package reports

import (
	"strings"
	"unicode"
)

// visual puts the right-to-left runs of a line in the order in which they are drawn. It serves
// scripts whose letters do not join (Hebrew); numbers inside a run keep their order. Scripts that
// join are shown as placeholders, because drawn letter by letter they would be wrong.
func visual(s string) string {
	if !strings.ContainsFunc(s, rightToLeft) {
		return s
	}
	r := []rune(s)
	var b strings.Builder
	for i := 0; i < len(r); {
		if !rightToLeft(r[i]) {
			b.WriteRune(r[i])
			i++
			continue
		}
		// A run reaches to its last right-to-left letter or digit before a letter that reads from the left.
		end := i + 1
		for j := i + 1; j < len(r) && !(unicode.IsLetter(r[j]) && !rightToLeft(r[j])); j++ {
			if rightToLeft(r[j]) || unicode.IsDigit(r[j]) || (unicode.Is(unicode.Mn, r[j]) && j == end) {
				end = j + 1
			}
		}
		b.WriteString(reversed(r[i:end]))
		i = end
	}
	return b.String()
}

func rightToLeft(r rune) bool { return unicode.Is(unicode.Hebrew, r) && !unicode.Is(unicode.Mn, r) }

// mirrors are the brackets that change sides in a right-to-left run.
var mirrors = map[rune]rune{'(': ')', ')': '(', '[': ']', ']': '[', '{': '}', '}': '{', '<': '>', '>': '<', '«': '»', '»': '«'}

// reversed turns a run around; marks stay behind their letter and digits keep their order.
func reversed(r []rune) string {
	var groups []string
	for i := 0; i < len(r); {
		j := i + 1
		if unicode.IsDigit(r[i]) {
			for j < len(r) && (unicode.IsDigit(r[j]) || ((r[j] == '.' || r[j] == ',') && j+1 < len(r) && unicode.IsDigit(r[j+1]))) {
				j++
			}
			groups = append(groups, string(r[i:j]))
		} else {
			for j < len(r) && unicode.Is(unicode.Mn, r[j]) {
				j++
			}
			group := string(r[i:j])
			if m, ok := mirrors[r[i]]; ok {
				group = string(m)
			}
			groups = append(groups, group)
		}
		i = j
	}
	var b strings.Builder
	for i := len(groups) - 1; i >= 0; i-- {
		b.WriteString(groups[i])
	}
	return b.String()
}
