package main

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"unicode/utf8"

	"google.golang.org/protobuf/types/known/timestamppb"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

// sheetSet is a folder of sheets, in the order in which they are taken.
type sheetSet struct {
	site   *kb.Site
	sheets []*sheet
	unread []string // columns that say nothing to us, in words
}

// sheet is one file, read.
type sheet struct {
	name    string
	columns map[string]int
	rows    []*sv.SheetRow
	lines   []int // line of each row in the file
	// paths says which column a field of the service came from.
	paths map[string]string
}

// line is one line of a sheet while it is read.
type line struct {
	sheet  *sheet
	values []string
	number int
	err    error
}

// sheetFiles are the sheets that are read, in order: what others refer to first.
var sheetFiles = []struct {
	name     string
	required []string
	more     []string // columns that may be there too
	read     func(*sheetReader, *line) *sv.SheetRow
}{
	{"site.csv", []string{"name", "elevation_m", "production_day_starts"}, []string{"address", "zone", "utc_offset_h", "tolerance_c", "tolerance_f", "weather_hpa"}, (*sheetReader).site},
	{"instruments.csv", []string{"instrument", "scale", "resolution"}, []string{"kind", "read_to", "tolerance", "serial", "certificate", "certificate_due"}, (*sheetReader).instrument},
	{"formulas.csv", []string{"formula", "name", "basis", "limit_class"}, []string{"low_c", "high_c", "water_fraction", "allergens", "cooling_clock"}, (*sheetReader).formula},
	{"checks.csv", []string{"time", "instrument", "point", "reading", "unit"}, []string{"station_pressure_hpa", "reference_instrument", "reference_reading", "person", "note"}, (*sheetReader).check},
	{"batches.csv", []string{"batch", "formula", "instrument", "started"}, []string{"ended", "solids_kg", "yield_kg", "stage_test", "vessel", "person", "note"}, (*sheetReader).batch},
	{"readings.csv", []string{"time", "batch", "instrument", "reading", "unit"}, []string{"person"}, (*sheetReader).reading},
	{"cooling.csv", []string{"time", "batch", "instrument", "reading", "unit"}, []string{"person"}, (*sheetReader).cooling},
}

// sheetReader turns lines into rows.
type sheetReader struct {
	set        *sheetSet
	names      []string // printed names, as they stand on the sheets
	initials   map[string]string
	references map[string]bool
	// scales gives the unit printed on each instrument of instruments.csv.
	scales map[string]kb.TemperatureUnit
}

// readSheets reads all sheets of a folder; what is wrong names file, line,
// column and cure.
// known holds the people already in the kitchen, initials by printed name.
func readSheets(folder string, known map[string]string) (*sheetSet, error) {
	r := &sheetReader{set: &sheetSet{}, initials: map[string]string{}, references: map[string]bool{}, scales: map[string]kb.TemperatureUnit{}}
	raw := map[string][][]string{}
	lines := map[string][]int{}
	for _, f := range sheetFiles {
		values, numbers, err := readCSV(filepath.Join(folder, f.name), f.name)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		raw[f.name], lines[f.name] = values, numbers
	}
	if len(raw) == 0 {
		return nil, &records.FieldError{Kind: records.ErrNotFound, Problem: "there are no sheets in " + folder, Cure: "give the folder that holds checks.csv, batches.csv and the others"}
	}
	r.collect(raw, known)
	for _, f := range sheetFiles {
		values, ok := raw[f.name]
		if !ok {
			continue
		}
		s := &sheet{name: f.name, columns: map[string]int{}, paths: map[string]string{}}
		for i, c := range values[0] {
			c = strings.TrimSpace(c)
			if _, twice := s.columns[c]; twice && c != "" {
				return nil, &records.FieldError{Kind: records.ErrInvalid, Field: f.name + ", line 1", Problem: fmt.Sprintf("there are two columns %q", c), Cure: "keep the one that is meant"}
			}
			s.columns[c] = i
			if !slices.Contains(f.required, c) && !slices.Contains(f.more, c) && c != "" {
				r.set.unread = append(r.set.unread, fmt.Sprintf("%s: nothing is read from the column %q", f.name, c))
			}
		}
		for _, c := range f.required {
			if _, ok := s.columns[c]; !ok {
				return nil, &records.FieldError{Kind: records.ErrInvalid, Field: f.name + ", line 1", Problem: fmt.Sprintf("there is no column %q", c), Cure: "the first line names the columns: " + strings.Join(f.required, ", ") + " and others"}
			}
		}
		for i, v := range values[1:] {
			l := &line{sheet: s, values: v, number: lines[f.name][i+1]}
			if n := len(values[0]); len(v) > n && strings.TrimSpace(strings.Join(v[n:], "")) != "" {
				return nil, &records.FieldError{Kind: records.ErrInvalid, Field: fmt.Sprintf("%s, line %d", f.name, l.number), Problem: fmt.Sprintf("has %d values for %d columns", len(v), n), Cure: "put quotes around a text that holds a comma"}
			}
			row := f.read(r, l)
			if l.err != nil {
				return nil, l.err
			}
			s.rows, s.lines = append(s.rows, row), append(s.lines, l.number)
		}
		if len(s.rows) > 0 {
			r.set.sheets = append(r.set.sheets, s)
		}
	}
	r.people()
	return r.set, nil
}

func readCSV(path, name string) ([][]string, []int, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, nil, err
	}
	b = []byte(strings.TrimPrefix(string(b), "\uFEFF"))
	if !utf8.Valid(b) {
		n := 1
		for _, l := range strings.Split(string(b), "\n") {
			if !utf8.ValidString(l) {
				break
			}
			n++
		}
		return nil, nil, &records.FieldError{Kind: records.ErrInvalid, Field: fmt.Sprintf("%s, line %d", name, n), Problem: "is not UTF-8", Cure: "save the file as UTF-8"}
	}
	r := csv.NewReader(strings.NewReader(string(b)))
	r.FieldsPerRecord = -1
	var out [][]string
	var lines []int
	for {
		v, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		var pe *csv.ParseError
		if errors.As(err, &pe) {
			problem := "holds a quotation mark that is not closed, or that text follows"
			if errors.Is(pe.Err, csv.ErrBareQuote) {
				problem = "holds a quotation mark inside a text that has none around it"
			}
			return nil, nil, &records.FieldError{Kind: records.ErrInvalid, Field: fmt.Sprintf("%s, line %d", name, pe.StartLine), Problem: problem, Cure: "one record a line, commas between, quotes around text that holds a comma; a quotation mark in such a text is written twice"}
		}
		if err != nil {
			return nil, nil, err
		}
		n, _ := r.FieldPos(0)
		if strings.HasPrefix(v[0], "#") {
			continue
		}
		out, lines = append(out, v), append(lines, n)
	}
	if len(out) == 0 {
		return nil, nil, &records.FieldError{Kind: records.ErrInvalid, Field: name + ", line 1", Problem: "the sheet is empty", Cure: "the first line names the columns"}
	}
	return out, lines, nil
}

// collect looks over all sheets for names of people and of references, so
// that they come out the same whatever sheet is taken first.
func (r *sheetReader) collect(raw map[string][][]string, known map[string]string) {
	for _, values := range raw {
		for i, c := range values[0] {
			for _, v := range values[1:] {
				if i >= len(v) || strings.TrimSpace(v[i]) == "" {
					continue
				}
				switch strings.TrimSpace(c) {
				case "person":
					if n := strings.TrimSpace(v[i]); !slices.Contains(r.names, n) {
						r.names = append(r.names, n)
					}
				case "reference_instrument":
					r.references[strings.TrimSpace(v[i])] = true
				}
			}
		}
	}
	slices.Sort(r.names)
	taken := map[string]bool{}
	for _, s := range known {
		taken[s] = true
	}
	for _, n := range r.names {
		if s, ok := known[n]; ok {
			r.initials[n] = s
			continue
		}
		s := records.Initials(n, func(s string) bool { return taken[s] })
		taken[s] = true
		r.initials[n] = s
	}
}

// people puts a sheet of the people named in front of those that name them.
func (r *sheetReader) people() {
	s := &sheet{name: "people", columns: map[string]int{}, paths: map[string]string{}}
	for i, n := range r.names {
		s.rows = append(s.rows, &sv.SheetRow{RowKey: n, Record: &sv.SheetRow_Person{Person: &kb.Person{Initials: r.initials[n], PrintedName: n, Roles: []kb.Role{kb.Role_ROLE_COOK}}}})
		s.lines = append(s.lines, i+1)
	}
	if len(s.rows) == 0 {
		return
	}
	at := 0
	if len(r.set.sheets) > 0 && r.set.sheets[0].name == "site.csv" {
		at = 1
	}
	r.set.sheets = slices.Insert(r.set.sheets, at, s)
}

func (s *sheet) request(paper string) *sv.TakeSheetRequest {
	return &sv.TakeSheetRequest{Sheet: s.name, Paper: paper, Rows: s.rows}
}

// column gives the column that a field path of the service came from.
func (s *sheet) column(path string) string {
	for path != "" {
		if c, ok := s.paths[path]; ok {
			return c
		}
		i := strings.LastIndexAny(path, ".[")
		if i < 0 {
			break
		}
		path = path[:i]
	}
	return ""
}

// days lists the production days that checks and batches of the sheets fall
// on by the kitchen's settings, ascending.
func (set *sheetSet) days(settings records.Settings) []string {
	var out []string
	for _, s := range set.sheets {
		for _, row := range s.rows {
			var at *timestamppb.Timestamp
			switch m := row.GetRecord().(type) {
			case *sv.SheetRow_Point:
				at = m.Point.GetPoint().GetAt()
			case *sv.SheetRow_Batch:
				at = m.Batch.GetStart().GetStartedAt()
			default:
				continue
			}
			if day := settings.Day(at.AsTime()); !slices.Contains(out, day) {
				out = append(out, day)
			}
		}
	}
	slices.Sort(out)
	return out
}

func asField(err error) *records.FieldError {
	var fe *records.FieldError
	if errors.As(err, &fe) {
		return fe
	}
	return nil
}
