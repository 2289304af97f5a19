package main_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// module is the path that all our packages begin with; the tables below leave it out.
const module = "kettlebook"

// Groups of packages that must stay out somewhere. A name stands for itself and for what lies below it.
var (
	rpc      = []string{"google.golang.org/grpc"}
	protobuf = []string{"google.golang.org/protobuf", "github.com/golang/protobuf"}
	chance   = []string{"math/rand", "crypto/rand", "golang.org/x/exp/rand"}
	drivers  = []string{"database/sql", "modernc.org/sqlite", "github.com/mattn/go-sqlite3", "github.com/jackc/pgx", "github.com/lib/pq"}
	engines  = []string{"records/store/sqlite", "records/store/postgres"}
)

// A rule says what one of our packages may lean on. Packages below an internal folder live by the rule of the
// folder that holds it.
type rule struct {
	// may names our packages it may import; whatever else of ours it imports is a fault.
	may []string
	// never names packages it must not import, whatever may says: its own imports and, of our packages, those
	// it reaches by way of others. What libraries import among themselves is their own affair: fmt leads to os.
	never []string
	// through also forbids the names in never to every package of ours that this one reaches.
	through bool
	// later says that the package is planned and need not be there yet.
	later bool
}

// all of proto and all below records, for rules that allow as much.
var (
	messages    = []string{"proto/kettlebook/v1"}
	wire        = []string{"proto/kettlebook/v1", "proto/kettlebook/service/v1"}
	belowServer = []string{"records", "records/thermometry", "records/sugar", "records/clock", "records/ledger", "records/store"}
	theStore    = []string{"records", "records/ledger", "records/clock"}
)

// rules is who may import whom. Dependencies point one way: cmd to server, client and reports; server to records; the
// messages at the bottom. A package without a line here is a fault, and so is a line without a package.
var rules = map[string]rule{
	"proto/kettlebook/v1":         {never: rpc, through: true},
	"proto/kettlebook/service/v1": {may: messages},

	"records": {
		may:     joined(messages, []string{"records/thermometry", "records/sugar"}),
		never:   joined([]string{"database/sql", "net", "os", "syscall"}, rpc, chance),
		through: true,
	},
	"records/thermometry": {never: joined(protobuf, rpc)},
	"records/sugar":       {never: joined(protobuf, rpc)},
	"records/clock":       {never: joined(protobuf, rpc)},
	"records/ledger":      {never: joined(protobuf, rpc, []string{"encoding/json"}, chance)},

	"records/store": {
		may:     joined(messages, theStore),
		never:   joined(drivers, rpc, engines),
		through: true,
	},
	"records/store/sqlite": {
		may:     joined(messages, theStore, []string{"records/store"}),
		never:   joined([]string{"server", "client", "reports"}, rpc),
		through: true,
	},
	"records/store/storetest": {
		may:   joined(messages, theStore, []string{"records/store"}),
		never: joined(drivers, rpc, engines),
	},

	"server": {
		may:   joined(wire, belowServer, []string{"server/keys", "server/signin"}),
		never: joined(engines, []string{"records/store/storetest", "reports", "client", "cmd"}),
	},
	"server/keys":   {},
	"server/signin": {},

	"client": {
		may:   joined(wire, []string{"records"}),
		never: joined([]string{"server", "records/store", "records/ledger"}, engines),
	},
	"client/clienttest": {
		may:   joined(wire, []string{"client", "records"}),
		never: []string{"server", "records/store"},
		later: true,
	},
	"client/pages": {
		may:   joined(wire, []string{"client"}),
		never: joined([]string{"server", "records/store", "records/ledger", "database/sql"}, rpc),
		later: true,
	},

	"reports": {
		may:   joined(messages, []string{"reports/chart"}),
		never: []string{"client", "server", "records/store", "net"},
	},
	"reports/chart": {
		may:   messages,
		never: []string{"client", "server", "records/store", "net"},
	},
	"reports/seal": {never: []string{"net"}},

	"cmd/kettlebook": {may: []string{
		"proto/kettlebook/v1", "proto/kettlebook/service/v1",
		"records", "records/thermometry", "records/sugar", "records/clock", "records/ledger",
		"records/store", "records/store/sqlite",
		"server", "server/keys", "server/signin", "client", "client/pages",
		"reports", "reports/chart", "reports/seal",
	}},
}

// TestImports holds the packages of this module to the rules. Tests of a package are not held to them: they may
// borrow an engine or a server to try it on.
func TestImports(t *testing.T) {
	for _, fault := range checkImports(rules, listPackages(t)) {
		t.Error(fault)
	}
}

// TestImportRulesBite tries the checker on made-up packages, each breaking one rule in one way.
func TestImportRulesBite(t *testing.T) {
	base := map[string]rule{
		"msg":   {never: rpc, through: true},
		"core":  {may: []string{"msg", "sums"}, never: []string{"net", "os"}, through: true},
		"sums":  {},
		"store": {may: []string{"core"}, never: []string{"core/x"}},
		"page":  {may: []string{"store"}, never: []string{"sums", "net"}},
		"plan":  {later: true},
	}
	sound := map[string][]string{
		"msg": {"fmt"}, "core": {"kettlebook/msg", "kettlebook/core/internal/odd"}, "core/internal/odd": {"kettlebook/sums"},
		"sums": {"math"}, "store": {"kettlebook/core"}, "page": nil,
	}
	cases := []struct {
		name    string
		change  map[string][]string
		without string
		want    string
	}{
		{name: "sound"},
		{name: "not in may", change: map[string][]string{"sums": {"kettlebook/msg"}}, want: "sums imports msg, which its rule does not allow"},
		{name: "standard package", change: map[string][]string{"core": {"net"}}, want: "core imports net, which it must never"},
		{name: "below a forbidden name", change: map[string][]string{"core": {"net/http"}}, want: "core imports net/http, which it must never"},
		{name: "only like a forbidden name", change: map[string][]string{"core": {"nets"}}},
		{name: "through ours", change: map[string][]string{"sums": {"os"}, "core": {"kettlebook/sums"}}, want: "core reaches os by way of sums, which it must never"},
		{name: "through internal", change: map[string][]string{"sums": {"os/exec"}}, want: "core reaches os/exec by way of sums, which it must never"},
		{name: "ours by way of another", change: map[string][]string{"page": {"kettlebook/store"}, "core": {"kettlebook/sums"}}, want: "page reaches sums by way of core, which it must never"},
		{name: "net only by way of another", change: map[string][]string{"page": {"kettlebook/store"}, "store": {"net"}}},
		{name: "grpc below messages", change: map[string][]string{"msg": {"google.golang.org/grpc/codes"}}, want: "msg imports google.golang.org/grpc/codes, which it must never"},
		{name: "internal lives by its folder", change: map[string][]string{"core/internal/odd": {"os"}}, want: "core/internal/odd imports os, which it must never"},
		{name: "internal of another", change: map[string][]string{"store": {"kettlebook/core/internal/odd"}}, want: "store imports core/internal/odd, which its rule does not allow"},
		{name: "no rule", change: map[string][]string{"extra": nil}, want: "extra has no line in the import rules"},
		{name: "gone", without: "page", want: "page is named in the import rules but is not there"},
	}
	for _, c := range cases {
		packages := map[string][]string{}
		for name, imports := range sound {
			if name != c.without {
				packages[name] = imports
			}
		}
		for name, imports := range c.change {
			packages[name] = imports
		}
		got := checkImports(base, packages)
		if c.want == "" && len(got) > 0 {
			t.Errorf("%s: %q, want no fault", c.name, got)
		}
		if c.want != "" && !slices.Contains(got, c.want) {
			t.Errorf("%s: %q, want %q among them", c.name, got, c.want)
		}
	}
}

// checkImports compares packages (imports by package; ours without the module's name in front as keys, with it as imports)
// with the rules and gives the faults found, sorted.
func checkImports(rules map[string]rule, packages map[string][]string) []string {
	var faults []string
	add := func(format string, args ...any) { faults = append(faults, fmt.Sprintf(format, args...)) }
	for name, r := range rules {
		if _, there := packages[name]; !there && !r.later {
			add("%s is named in the import rules but is not there", name)
		}
	}
	for name, imports := range packages {
		home := homeOf(name)
		r, known := rules[home]
		if !known {
			add("%s has no line in the import rules", name)
			continue
		}
		for _, path := range imports {
			if below(short(path), r.never) {
				add("%s imports %s, which it must never", name, short(path))
			}
			if ours(path) && homeOf(short(path)) != home && !slices.Contains(r.may, short(path)) {
				add("%s imports %s, which its rule does not allow", name, short(path))
			}
		}
		for _, via := range reach(name, packages) {
			for _, path := range packages[via] {
				if (ours(path) || r.through) && below(short(path), r.never) {
					add("%s reaches %s by way of %s, which it must never", name, short(path), via)
				}
			}
		}
	}
	slices.Sort(faults)
	return faults
}

// reach gives our packages that name leads to, without name itself.
func reach(name string, packages map[string][]string) []string {
	seen := map[string]bool{name: true}
	var found []string
	for todo := []string{name}; len(todo) > 0; todo = todo[1:] {
		for _, path := range packages[todo[0]] {
			if next := short(path); ours(path) && !seen[next] {
				seen[next] = true
				found = append(found, next)
				todo = append(todo, next)
			}
		}
	}
	return found
}

// ours tells whether an import path is one of this module.
func ours(path string) bool { return path == module || strings.HasPrefix(path, module+"/") }

// short is the path of one of our packages without the module's name; other paths stay as they are.
func short(path string) string { return strings.TrimPrefix(path, module+"/") }

// homeOf is the package whose rule holds for name: name itself, or the folder that holds its internal folder.
func homeOf(name string) string {
	home, _, _ := strings.Cut(name+"/", "/internal/")
	return strings.TrimSuffix(home, "/")
}

// below tells whether path is one of the names or lies below one.
func below(path string, names []string) bool {
	return slices.ContainsFunc(names, func(name string) bool {
		return path == name || strings.HasPrefix(path, name+"/")
	})
}

// joined puts lists one after the other in a new one.
func joined(lists ...[]string) []string { return slices.Concat(lists...) }

// listPackages asks the go command for our packages and what their files other than tests import. Files for other
// systems are left out, as go build leaves them out here.
func listPackages(t *testing.T) map[string][]string {
	t.Helper()
	command := exec.Command("go", "list", "-json=ImportPath,GoFiles,CgoFiles,Imports", module+"/...")
	var complaints strings.Builder
	command.Stderr = &complaints
	out, err := command.Output()
	if err != nil {
		t.Fatalf("go list: %v\n%s", err, complaints.String())
	}
	packages := map[string][]string{}
	for decoder := json.NewDecoder(strings.NewReader(string(out))); ; {
		var listed struct {
			ImportPath        string
			GoFiles, CgoFiles []string
			Imports           []string
		}
		if err := decoder.Decode(&listed); errors.Is(err, io.EOF) {
			return packages
		} else if err != nil {
			t.Fatalf("go list: %v", err)
		}
		if len(listed.GoFiles)+len(listed.CgoFiles) > 0 {
			packages[short(listed.ImportPath)] = listed.Imports
		}
	}
}
