package keys

import (
	"bytes"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"testing/iotest"
	"time"
)

func TestCreateMakesEveryFilePrivate(t *testing.T) {
	// With a umask of 0 nothing but the code itself keeps the modes narrow.
	old := syscall.Umask(0)
	defer syscall.Umask(old)
	dir := filepath.Join(t.TempDir(), "data", "keys")
	options := testOptions()
	options.MakeSeal = nil
	r, err := Create(dir, options)
	if err != nil {
		t.Fatal(err)
	}
	want := []string{"checkpoint-0001", "layout", "ledger-0001.key", "pin-pepper-0001.key",
		"tls-authority-0001.pem", "tls-server-0001.pem"}
	if got := namesIn(t, dir); !slices.Equal(got, want) {
		t.Errorf("files %q, want %q", got, want)
	}
	for path, mode := range map[string]fs.FileMode{dir: 0o700, filepath.Dir(dir): 0o700} {
		if info, err := os.Stat(path); err != nil || info.Mode().Perm() != mode {
			t.Errorf("%s: mode %v, %v; want %v", path, info.Mode().Perm(), err, mode)
		}
	}
	// Later writes too.
	if err := r.SaveLastCheckpoint(signed(t, r.LedgerSigner(), 1, 1)); err != nil {
		t.Fatal(err)
	}
	if err := r.NewLedger(testRandom(2), options.Origin+"/2"); err != nil {
		t.Fatal(err)
	}
	for _, name := range namesIn(t, dir) {
		if info, err := os.Stat(filepath.Join(dir, name)); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: mode %v, %v; want 0600", name, info.Mode().Perm(), err)
		}
	}
	if got := namesIn(t, filepath.Dir(dir)); !slices.Equal(got, []string{"keys"}) {
		t.Errorf("left beside the folder: %q", got)
	}
}

func TestOpenGivesBackWhatCreateMade(t *testing.T) {
	dir := sealedFolder(t)
	a, b := mustOpen(t, dir), mustOpen(t, dir)
	if a.Fingerprints() != b.Fingerprints() || !bytes.Equal(a.Pepper(), b.Pepper()) {
		t.Error("two openings of one folder differ")
	}
	if len(a.Pepper()) != 32 || bytes.Equal(a.Pepper(), make([]byte, 32)) {
		t.Errorf("pepper of %d bytes, or all zero", len(a.Pepper()))
	}
	a.Pepper()[0] ^= 0xff
	if !bytes.Equal(a.Pepper(), b.Pepper()) {
		t.Error("a caller can change the ring's pepper")
	}
	if got := a.Origin(); got != "marrowby.example/ledger" {
		t.Errorf("origin %q", got)
	}
}

func TestCreateNeverWritesOverKeys(t *testing.T) {
	dir := sealedFolder(t)
	before := mustOpen(t, dir).Fingerprints()
	if _, err := Create(dir, testOptions()); !errors.Is(err, ErrExists) || !strings.Contains(err.Error(), dir) {
		t.Errorf("second Create: %v", err)
	}
	if got := mustOpen(t, dir).Fingerprints(); got != before {
		t.Errorf("keys changed from %v to %v", before, got)
	}
	other := t.TempDir()
	writeFile(t, filepath.Join(other, "shopping.txt"), []byte("sugar\n"))
	if _, err := Create(other, testOptions()); !errors.Is(err, ErrExists) {
		t.Errorf("Create in a folder with other things: %v", err)
	}
	empty := filepath.Join(t.TempDir(), "keys")
	if err := os.Mkdir(empty, 0o755); err != nil {
		t.Fatal(err)
	}
	options := testOptions()
	options.MakeSeal = nil
	if _, err := Create(empty, options); err != nil {
		t.Errorf("Create in an empty folder: %v", err)
	}
	if info, err := os.Stat(empty); err != nil || info.Mode().Perm() != 0o700 {
		t.Errorf("mode %v, %v; want 0700", info.Mode().Perm(), err)
	}
}

func TestCreateRefusesPoorOptions(t *testing.T) {
	for name, change := range map[string]func(*Options){
		"no randomness":     func(o *Options) { o.Random = nil },
		"no time":           func(o *Options) { o.Now = time.Time{} },
		"no origin":         func(o *Options) { o.Origin = "" },
		"space in origin":   func(o *Options) { o.Origin = "a b" },
		"plus in origin":    func(o *Options) { o.Origin = "a+b" },
		"newline in origin": func(o *Options) { o.Origin = "a\nb" },
		"no kitchen":        func(o *Options) { o.Kitchen = " " },
		"long kitchen":      func(o *Options) { o.Kitchen = strings.Repeat("é", 65) },
		"negative years":    func(o *Options) { o.SealYears = -1 },
		"URL as host":       func(o *Options) { o.Hosts = []string{"https://kettle"} },
		"port in host":      func(o *Options) { o.Hosts = []string{"kettle:8443"} },
		"mistyped address":  func(o *Options) { o.Hosts = []string{"192.0.2"} },
		"zone in address":   func(o *Options) { o.Hosts = []string{"fe80::1%eth0"} },
		"empty host":        func(o *Options) { o.Hosts = []string{""} },
		"wildcard":          func(o *Options) { o.Hosts = []string{"*.marrowby.example"} },
	} {
		options := testOptions()
		options.MakeSeal = nil
		change(&options)
		parent := t.TempDir()
		if _, err := Create(filepath.Join(parent, "keys"), options); !errors.Is(err, ErrOptions) {
			t.Errorf("%s: %v", name, err)
		}
		if left := namesIn(t, parent); len(left) != 0 {
			t.Errorf("%s: left behind %q", name, left)
		}
	}
	options := testOptions()
	options.MakeSeal = nil
	options.Random = iotest.ErrReader(errors.New("no entropy"))
	if _, err := Create(filepath.Join(t.TempDir(), "keys"), options); err == nil || !strings.Contains(err.Error(), "no entropy") {
		t.Errorf("a failing random source: %v", err)
	}
}

func TestOpenRefusesWhatOthersMayRead(t *testing.T) {
	dir := sealedFolder(t)
	r := mustOpen(t, dir)
	if err := r.NewLedger(testRandom(2), "marrowby.example/ledger/2"); err != nil {
		t.Fatal(err)
	}
	for _, name := range namesIn(t, dir) {
		path := filepath.Join(dir, name)
		for _, mode := range []fs.FileMode{0o640, 0o604, 0o620, 0o602, 0o644, 0o666, 0o601} {
			chmod(t, path, mode)
			_, err := Open(dir)
			var perm *PermissionError
			if !errors.As(err, &perm) || perm.Path != path || perm.Mode != mode {
				t.Errorf("%s with mode %04o: %v", name, mode, err)
			} else if !strings.Contains(err.Error(), "chmod 600 "+path) {
				t.Errorf("no cure in %q", err)
			}
		}
		chmod(t, path, 0o600)
	}
	for _, mode := range []fs.FileMode{0o750, 0o705, 0o755, 0o710} {
		chmod(t, dir, mode)
		var perm *PermissionError
		if _, err := Open(dir); !errors.As(err, &perm) || perm.Path != dir ||
			!strings.Contains(err.Error(), "chmod 700 "+dir) {
			t.Errorf("folder with mode %04o: %v", mode, err)
		}
	}
	chmod(t, dir, 0o700)
	mustOpen(t, dir)

	// A file that opens up while the ring is in use is refused at the next reading.
	path := filepath.Join(dir, "checkpoint-0002")
	chmod(t, path, 0o644)
	var perm *PermissionError
	if _, err := r.LastCheckpoint(); !errors.As(err, &perm) {
		t.Errorf("LastCheckpoint of an open file: %v", err)
	}
}

func chmod(t *testing.T, path string, mode fs.FileMode) {
	t.Helper()
	if err := os.Chmod(path, mode); err != nil {
		t.Fatal(err)
	}
}

func TestOpenRefusesLinksAndForeignFolders(t *testing.T) {
	dir := sealedFolder(t)
	path := filepath.Join(dir, "pin-pepper-0001.key")
	outside := filepath.Join(t.TempDir(), "pepper")
	if err := errors.Join(os.Rename(path, outside), os.Symlink(outside, path)); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(dir); err == nil || !strings.Contains(err.Error(), "not a plain file") {
		t.Errorf("a link: %v", err)
	}
	if _, err := Open(filepath.Join(dir, "nowhere")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no folder: %v", err)
	}
	if _, err := Open(outside); err == nil || !strings.Contains(err.Error(), "not a folder") {
		t.Errorf("a file: %v", err)
	}
	empty := filepath.Join(t.TempDir(), "empty")
	if err := os.Mkdir(empty, 0o700); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(empty); err == nil || !strings.Contains(err.Error(), "no key folder") {
		t.Errorf("an empty folder: %v", err)
	}
}

func TestOpenNoticesDamageAndQuotesNoSecret(t *testing.T) {
	whole := sealedFolder(t)
	for _, name := range namesIn(t, whole) {
		if strings.HasPrefix(name, "seal-") {
			continue // a kitchen may have none; its damage is below
		}
		dir := sealedFolder(t)
		if err := os.Remove(filepath.Join(dir, name)); err != nil {
			t.Fatal(err)
		}
		if _, err := Open(dir); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("without %s: %v", name, err)
		}
	}
	for _, name := range namesIn(t, whole) {
		for what, damage := range map[string]func([]byte) []byte{
			"cut in half": func(b []byte) []byte { return b[:len(b)/2] },
			"emptied":     func([]byte) []byte { return nil },
			"garbled":     func(b []byte) []byte { b = bytes.Clone(b); b[len(b)/2] ^= 0x15; return b },
			"too large":   func([]byte) []byte { return make([]byte, maxFileBytes+1) },
		} {
			if name == "checkpoint-0001" && what != "too large" {
				continue // it is empty; see TestLastCheckpointDamage
			}
			dir := sealedFolder(t)
			path := filepath.Join(dir, name)
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			writeFile(t, path, damage(data))
			_, err = Open(dir)
			if err == nil {
				t.Errorf("%s %s: opened", name, what)
				continue
			}
			if !strings.Contains(err.Error(), dir) {
				t.Errorf("%s %s: %q does not say where", name, what, err)
			}
			if line := strings.Split(string(data), "\n"); len(line) > 1 && name != layoutName &&
				!strings.HasSuffix(name, ".pem") && strings.Contains(err.Error(), line[0][:len(line[0])/2]) {
				t.Errorf("%s %s: the error quotes the secret", name, what)
			}
		}
	}
	dir := sealedFolder(t)
	writeFile(t, filepath.Join(dir, layoutName), []byte("kettlebook keys 2\n"))
	if _, err := Open(dir); err == nil || !strings.Contains(err.Error(), `knows "kettlebook keys 1`) {
		t.Errorf("another layout: %v", err)
	}
}

func TestPairsMustBelongTogether(t *testing.T) {
	dir := sealedFolder(t)
	other := filepath.Join(t.TempDir(), "keys")
	options := testOptions()
	options.MakeSeal, options.Random = nil, testRandom(9)
	if _, err := Create(other, options); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"tls-authority-0001.pem", "tls-server-0001.pem"} {
		mixed := sealedFolder(t)
		data, err := os.ReadFile(filepath.Join(other, name))
		if err != nil {
			t.Fatal(err)
		}
		writeFile(t, filepath.Join(mixed, name), data)
		if _, err := Open(mixed); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s of another kitchen: %v", name, err)
		}
	}
	// The signing key of one kitchen over the verifier key of another.
	mine, err1 := os.ReadFile(filepath.Join(dir, "ledger-0001.key"))
	theirs, err2 := os.ReadFile(filepath.Join(other, "ledger-0001.key"))
	if err := errors.Join(err1, err2); err != nil {
		t.Fatal(err)
	}
	mixed := strings.Split(string(mine), "\n")[0] + "\n" + strings.Split(string(theirs), "\n")[1] + "\n"
	writeFile(t, filepath.Join(dir, "ledger-0001.key"), []byte(mixed))
	if _, err := Open(dir); !errors.Is(err, ErrDamaged) {
		t.Errorf("mixed ledger key: %v", err)
	}
}

func TestRingPrintsNoSecret(t *testing.T) {
	dir := sealedFolder(t)
	r := mustOpen(t, dir)
	key, err := os.ReadFile(filepath.Join(dir, "ledger-0001.key"))
	if err != nil {
		t.Fatal(err)
	}
	private := strings.Split(strings.Split(string(key), "\n")[0], "+")
	for _, format := range []string{"%v", "%+v", "%#v", "%s"} {
		text := fmt.Sprintf(format, r)
		for _, secret := range []string{
			private[len(private)-1], hex.EncodeToString(r.Pepper()),
			base64.StdEncoding.EncodeToString(r.Pepper()), fmt.Sprint(r.Pepper()),
		} {
			if strings.Contains(text, secret) {
				t.Errorf("%s prints a secret", format)
			}
		}
		if !strings.Contains(text, dir) {
			t.Errorf("%s prints %q", format, text)
		}
	}
}
