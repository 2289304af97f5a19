package main_test

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// maxLines is how long a hand-written Go file may grow before it must be taken apart.
const maxLines = 600

// pure names the packages that are told the time and are told what is random: they never ask.
var pure = []string{"records", "records/thermometry", "records/sugar", "records/ledger"}

// asks names the functions that ask for the time or for chance, by import path.
var asks = map[string][]string{
	"time":                   {"Now", "Since", "Until", "After", "AfterFunc", "Tick", "NewTicker", "NewTimer", "Sleep"},
	"github.com/google/uuid": {"New", "NewString", "NewRandom", "NewUUID", "NewV6", "NewV7", "Must"},
}

// serialises names what turns a message into bytes, by import path.
var serialises = map[string][]string{
	"google.golang.org/protobuf/proto":              {"Marshal", "MarshalOptions"},
	"google.golang.org/protobuf/encoding/protojson": {"Marshal", "MarshalOptions", "Format"},
	"google.golang.org/protobuf/encoding/prototext": {"Marshal", "MarshalOptions", "Format"},
}

// serialisers names the only files that may: hashes are over bytes made once, and what is made again need not come out
// the same. A folder stands for its files; what the command line prints is hashed by nobody.
var serialisers = []string{"records/event.go", "records/kinds.go", "records/day.go", "cmd/kettlebook"}

// generatedBy is the line that the go command and its tools agree on for files that a program wrote.
var generatedBy = regexp.MustCompile(`(?m)^// Code generated .* DO NOT EDIT\.$`)

// unitWord is what the comment of a type says when it gives the unit of its floats.
var unitWord = regexp.MustCompile(`(?i)\b(degrees?|degC|degF|hPa|kPa|kelvin|metres?|points|mm|seconds|minutes|kg|kilograms?|fractions?|ratios?|shares?|per ?cent|units?)\b|%`)

// unitName is a name that says the unit of its number.
var unitName = regexp.MustCompile(`(C|F|K|HPa|KPa|M|Mm|Seconds|Minutes|Kg|Percent|Ppm|Share|Fraction|Ratio)$`)

// sourceFile is one Go file of the project, parsed.
type sourceFile struct {
	path  string
	lines int
	fset  *token.FileSet
	tree  *ast.File
}

// dir is the folder that holds the file, from the top of the project.
func (f sourceFile) dir() string { return path.Dir(f.path) }

// isTest tells whether the file belongs to a test only.
func (f sourceFile) isTest() bool { return strings.HasSuffix(f.path, "_test.go") }

// at is the place of a node as path:line.
func (f sourceFile) at(node ast.Node) string {
	return fmt.Sprintf("%s:%d", f.path, f.fset.Position(node.Pos()).Line)
}

// parseSource parses one file.
func parseSource(name, text string) (sourceFile, error) {
	fset := token.NewFileSet()
	tree, err := parser.ParseFile(fset, name, text, parser.ParseComments|parser.SkipObjectResolution)
	return sourceFile{path: name, lines: strings.Count(text, "\n"), fset: fset, tree: tree}, err
}

// handWritten gives the project's Go files that people wrote.
func handWritten(t *testing.T) []sourceFile {
	t.Helper()
	var files []sourceFile
	for _, tracked := range trackedFiles(t) {
		if !strings.HasSuffix(tracked.path, ".go") || generatedBy.MatchString(tracked.text) {
			continue
		}
		file, err := parseSource(tracked.path, tracked.text)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, file)
	}
	return files
}

// TestFilesStayShort: a file has one reason to exist, and one can read it at a sitting.
func TestFilesStayShort(t *testing.T) {
	for _, file := range handWritten(t) {
		if file.lines > maxLines {
			t.Errorf("%s has %d lines, more than %d: take it apart", file.path, file.lines, maxLines)
		}
	}
}

// TestCoreIsTold: the rules and the sciences get time, chance and ids as values.
func TestCoreIsTold(t *testing.T) {
	for _, file := range handWritten(t) {
		if !file.isTest() && slices.Contains(pure, file.dir()) {
			for _, fault := range asking(file) {
				t.Error(fault)
			}
		}
	}
}

// TestBytesAreMadeOnce: what is kept, hashed and attached is serialised in few known places and nowhere again.
func TestBytesAreMadeOnce(t *testing.T) {
	used := map[string]bool{}
	for _, file := range handWritten(t) {
		if file.isTest() {
			continue
		}
		found := uses(file, serialises)
		if below(file.path, serialisers) {
			used[file.path] = len(found) > 0
			continue
		}
		for _, fault := range found {
			t.Errorf("%s; take the bytes that are kept", fault)
		}
	}
	for _, name := range serialisers {
		if strings.HasSuffix(name, ".go") && !used[name] {
			t.Errorf("%s no longer serialises: take it off the list", name)
		}
	}
}

// TestDocumented: every exported name and every package says what it is.
func TestDocumented(t *testing.T) {
	described := map[string]bool{}
	for _, file := range handWritten(t) {
		if file.isTest() {
			continue
		}
		described[file.dir()] = described[file.dir()] || file.tree.Doc != nil
		for _, fault := range undocumented(file) {
			t.Error(fault)
		}
	}
	for dir, has := range described {
		if !has {
			t.Errorf("%s: no file says what the package is for, above its package clause", dir)
		}
	}
}

// TestNothingIsSkipped: a check that cannot run here fails; it does not step aside.
func TestNothingIsSkipped(t *testing.T) {
	for _, file := range handWritten(t) {
		for _, fault := range skipping(file) {
			t.Error(fault)
		}
	}
}

// TestSourceChecksBite tries the checks above on made-up files: each line that says "fault" or "Miss" is found, and no other.
func TestSourceChecksBite(t *testing.T) {
	cases := []struct {
		name, text string
		look       func(sourceFile) []string
	}{
		{"asking", `package p
import (
	clockwork "time"
	"time"
	"github.com/google/uuid"
)
func f(time2 other) {
	_ = time.Now() // fault
	ask := clockwork.Since // fault
	_ = uuid.NewSHA1(uuid.Nil, nil)
	_ = uuid.NewString() // fault
	_ = time2.Now()
	_ = time.Duration(3)
	ask(time.Time{})
}
`, asking},
		{"asking without a name in front", `package p
import . "time" // fault
`, asking},
		{"undocumented", `package p
type MissBare struct{}

// Good is described.
type Good struct {
	// A is described.
	A float64
	B, C float64
	D int

	E float64 // in degrees
	F float64
	g float64

	MissG float64
	H bool

	LowC float64
}

// Sized is in points.
type Sized struct { X, Y float64; embedded }

type (
	// Also is described.
	Also int
	Nor int // described at the end
	hidden struct { Field float64 }
	MissBad struct {
		MissField int
	}
)

// These stand together.
const (
	One = 1
	Two = 2
)

const (
	MissThree = 3
	// Four is described.
	Four = 4
)

func MissLoose() {}

// Held is described.
func Held() {}

func (g Good) MissMethod() {}

func (h hidden) Method() {}

func (b *Box[T]) MissMethod() {}

// Reader is described.
type Reader interface {
	// Read is described.
	Read()
	MissWrite()
	close()
}

// Only is described.
type Only interface { Act() }
`, undocumented},
		{"skipping", `package p
func TestA(t *testing.T) { t.` + `Skip() } // fault
func FuzzA(f *testing.F) { f.Skipf("x") } // fault
func BenchmarkA(loop *testing.B) { loop.SkipNow() } // fault
func help(tb testing.TB) { tb.Skip("x") } // fault
func parse(s *cursor) { s.Skip(3); s.Next() }
func TestB(t *testing.T) { t.Run("x", func(inner *testing.T) { inner.Skip() }) } // fault
`, skipping},
	}
	for _, c := range cases {
		file, err := parseSource("made-up.go", c.text)
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		var want []string
		for number, line := range strings.Split(c.text, "\n") {
			if strings.HasSuffix(line, "// fault") || strings.Contains(line, "Miss") {
				want = append(want, fmt.Sprintf("made-up.go:%d", number+1))
			}
		}
		var got []string
		for _, fault := range c.look(file) {
			place, _, _ := strings.Cut(fault, ": ")
			got = append(got, place)
		}
		slices.Sort(got)
		slices.Sort(want)
		if !slices.Equal(got, want) {
			t.Errorf("%s: faults at %v, want %v", c.name, got, want)
		}
	}
}

// asking gives the places where a file asks for the time or for chance.
func asking(file sourceFile) []string {
	var faults []string
	for _, fault := range uses(file, asks) {
		faults = append(faults, fault+"; time and chance come in as values")
	}
	return faults
}

// uses gives the places where a file names one of some functions or types, by import path, whatever the file calls
// their package. To import such a package without a name in front is a fault of its own.
func uses(file sourceFile, unwanted map[string][]string) []string {
	var faults []string
	names := map[string][]string{} // by the name a package has in this file
	for _, spec := range file.tree.Imports {
		imported, err := strconv.Unquote(spec.Path.Value)
		if err != nil || unwanted[imported] == nil {
			continue
		}
		name := path.Base(imported)
		if spec.Name != nil {
			name = spec.Name.Name
		}
		if name == "." {
			faults = append(faults, fmt.Sprintf("%s: imports %s without a name in front of its functions", file.at(spec), imported))
		}
		names[name] = unwanted[imported]
	}
	ast.Inspect(file.tree, func(node ast.Node) bool {
		selector, ok := node.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		if from, ok := selector.X.(*ast.Ident); ok && slices.Contains(names[from.Name], selector.Sel.Name) {
			faults = append(faults, fmt.Sprintf("%s: uses %s.%s", file.at(selector), from.Name, selector.Sel.Name))
		}
		return true
	})
	return faults
}

// undocumented gives the exported names of a file that have no comment: functions, methods of exported types, types,
// their members (see needMembers), constants and variables. One comment above a group of constants or variables serves all.
func undocumented(file sourceFile) []string {
	var faults []string
	need := func(name *ast.Ident, comments ...*ast.CommentGroup) {
		if name.IsExported() && !slices.ContainsFunc(comments, func(c *ast.CommentGroup) bool { return c != nil }) {
			faults = append(faults, fmt.Sprintf("%s: %s has no comment", file.at(name), name.Name))
		}
	}
	for _, decl := range file.tree.Decls {
		switch decl := decl.(type) {
		case *ast.FuncDecl:
			if decl.Recv == nil || receiver(decl).IsExported() {
				need(decl.Name, decl.Doc)
			}
		case *ast.GenDecl:
			for _, spec := range decl.Specs {
				switch spec := spec.(type) {
				case *ast.TypeSpec:
					above := spec.Doc
					if above == nil && !decl.Lparen.IsValid() {
						above = decl.Doc
					}
					if above == nil {
						above = spec.Comment
					}
					need(spec.Name, above)
					if spec.Name.IsExported() {
						needMembers(file, spec, above, need)
					}
				case *ast.ValueSpec:
					for _, name := range spec.Names {
						need(name, decl.Doc, spec.Doc, spec.Comment)
					}
				}
			}
		}
	}
	return faults
}

// needMembers asks for a comment on each method of an interface and each field of a struct. The comment of the type
// serves the only method of an interface, and all fields but floats whose unit neither it nor the field's name gives; a
// field's comment serves the fields on the lines right below it. Embedded members speak for themselves.
func needMembers(file sourceFile, of *ast.TypeSpec, above *ast.CommentGroup, need func(*ast.Ident, ...*ast.CommentGroup)) {
	switch is := of.Type.(type) {
	case *ast.InterfaceType:
		if len(is.Methods.List) != 1 {
			above = nil
		}
		for _, method := range is.Methods.List {
			for _, name := range method.Names {
				need(name, method.Doc, method.Comment, above)
			}
		}
	case *ast.StructType:
		var nearby *ast.CommentGroup
		last := 0 // line on which the field before ended
		for _, field := range is.Fields.List {
			if file.fset.Position(field.Pos()).Line > last+1 {
				nearby = nil
			}
			last = file.fset.Position(field.End()).Line
			if field.Doc != nil {
				nearby = field.Doc
			} else if field.Comment != nil {
				nearby = field.Comment
			}
			kind, ok := field.Type.(*ast.Ident)
			bare := ok && strings.HasPrefix(kind.Name, "float") && !unitWord.MatchString(above.Text())
			for _, name := range field.Names {
				if bare && !unitName.MatchString(name.Name) {
					need(name, nearby)
				} else {
					need(name, nearby, above)
				}
			}
		}
	}
}

// receiver is the name of the type that a method belongs to.
func receiver(method *ast.FuncDecl) *ast.Ident {
	of := method.Recv.List[0].Type
	for {
		switch inner := of.(type) {
		case *ast.StarExpr:
			of = inner.X
		case *ast.ParenExpr:
			of = inner.X
		case *ast.IndexExpr:
			of = inner.X
		case *ast.IndexListExpr:
			of = inner.X
		case *ast.Ident:
			return inner
		default:
			return ast.NewIdent("_")
		}
	}
}

// skipping gives the places where a test steps aside: a Skip of a parameter of package testing.
func skipping(file sourceFile) []string {
	var faults []string
	testers := map[string]bool{}
	ast.Inspect(file.tree, func(node ast.Node) bool {
		switch node := node.(type) {
		case *ast.Field:
			of := node.Type
			if star, ok := of.(*ast.StarExpr); ok {
				of = star.X
			}
			if selector, ok := of.(*ast.SelectorExpr); ok {
				if from, ok := selector.X.(*ast.Ident); ok && (from.Name == "testing" || from.Name == "rapid") {
					for _, name := range node.Names {
						testers[name.Name] = true
					}
				}
			}
		case *ast.CallExpr:
			selector, ok := node.Fun.(*ast.SelectorExpr)
			if !ok || !slices.Contains([]string{"Skip", "Skipf", "SkipNow"}, selector.Sel.Name) {
				return true
			}
			if on, ok := selector.X.(*ast.Ident); ok && testers[on.Name] {
				faults = append(faults, fmt.Sprintf("%s: steps aside; a check that cannot run must fail", file.at(node)))
			}
		}
		return true
	})
	return faults
}
