package keys

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

const (
	fileMode   = 0o600
	folderMode = 0o700

	// maxFileBytes bounds what is read from one file; the largest, a seal with a
	// long chain, has some 10 kB.
	maxFileBytes = 1 << 20

	// tempPrefix begins the names of files and folders that are being written.
	tempPrefix = ".new-"
)

// PermissionError says that a file or folder is open to others than its owner.
type PermissionError struct {
	Path string      // of the file or folder
	Mode fs.FileMode // the permissions found
	Want fs.FileMode // the permissions it should have
}

// Error names the file and the command that cures it.
func (e *PermissionError) Error() string {
	return fmt.Sprintf("keys: %s is open to others (mode %04o): find out who could read it, then chmod %o %s",
		e.Path, e.Mode, e.Want, e.Path)
}

// kind is a family of numbered files.
type kind struct{ prefix, suffix string }

var (
	kindLedger     = kind{"ledger", ".key"}
	kindCheckpoint = kind{"checkpoint", ""}
	kindSeal       = kind{"seal", ".pem"}
	kindAuthority  = kind{"tls-authority", ".pem"}
	kindServer     = kind{"tls-server", ".pem"}
	kindPepper     = kind{"pin-pepper", ".key"}

	allKinds = []kind{kindLedger, kindCheckpoint, kindSeal, kindAuthority, kindServer, kindPepper}
)

// maxNumber is the highest number of a file: numbers have four digits.
const maxNumber = 9999

func (k kind) name(number int) string {
	return fmt.Sprintf("%s-%04d%s", k.prefix, number, k.suffix)
}

// number returns the number in a file name of this kind, and false for others.
func (k kind) number(name string) (int, bool) {
	digits, ok := strings.CutPrefix(name, k.prefix+"-")
	if !ok {
		return 0, false
	}
	digits, ok = strings.CutSuffix(digits, k.suffix)
	if !ok || len(digits) != 4 {
		return 0, false
	}
	n, err := strconv.ParseUint(digits, 10, 16)
	if err != nil || n == 0 {
		return 0, false
	}
	return int(n), true
}

// folder reads and writes the files of one key folder.
type folder struct {
	path string
	// at is called ahead of each step of a write when it is set. Tests panic in
	// it, which leaves the disk as a crash at that step would.
	at func(step string)
}

func (f folder) step(name string) {
	if f.at != nil {
		f.at(name)
	}
}

func (f folder) join(name string) string { return filepath.Join(f.path, name) }

// checkModes refuses the folder, and any key file in it, that is open to others.
func (f folder) checkModes() error {
	info, err := os.Stat(f.path)
	if err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	if !info.IsDir() {
		return fmt.Errorf("keys: %s is not a folder", f.path)
	}
	if info.Mode().Perm()&0o077 != 0 {
		return &PermissionError{Path: f.path, Mode: info.Mode().Perm(), Want: folderMode}
	}
	entries, err := os.ReadDir(f.path)
	if err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	for _, entry := range entries {
		if !ours(entry.Name()) {
			continue
		}
		info, err := entry.Info()
		if err != nil {
			return fmt.Errorf("keys: %w", err)
		}
		if err := checkFile(f.join(entry.Name()), info); err != nil {
			return err
		}
	}
	return nil
}

func ours(name string) bool {
	return name == layoutName || slices.ContainsFunc(allKinds, func(k kind) bool {
		_, ok := k.number(name)
		return ok
	})
}

func checkFile(path string, info fs.FileInfo) error {
	if !info.Mode().IsRegular() {
		return fmt.Errorf("keys: %s is not a plain file: put the file itself there, no link", path)
	}
	if info.Mode().Perm()&0o077 != 0 {
		return &PermissionError{Path: path, Mode: info.Mode().Perm(), Want: fileMode}
	}
	return nil
}

// numbers returns the numbers of all files of a kind, ascending.
func (f folder) numbers(k kind) ([]int, error) {
	entries, err := os.ReadDir(f.path)
	if err != nil {
		return nil, fmt.Errorf("keys: %w", err)
	}
	var found []int
	for _, entry := range entries {
		if n, ok := k.number(entry.Name()); ok {
			found = append(found, n)
		}
	}
	slices.Sort(found)
	return found, nil
}

// read returns the content of a file after looking at its permissions.
func (f folder) read(name string) ([]byte, error) {
	path := f.join(name)
	// A link is refused by name first, then the opened file is looked at, so
	// that what was checked is what is read.
	linked, err := os.Lstat(path)
	if err != nil {
		return nil, fmt.Errorf("keys: %w", err)
	}
	if err := checkFile(path, linked); err != nil {
		return nil, err
	}
	file, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("keys: %w", err)
	}
	defer file.Close()
	opened, err := file.Stat()
	if err != nil {
		return nil, fmt.Errorf("keys: %w", err)
	}
	if !os.SameFile(linked, opened) {
		return nil, fmt.Errorf("keys: %s was exchanged while it was read", path)
	}
	if err := checkFile(path, opened); err != nil {
		return nil, err
	}
	data, err := io.ReadAll(io.LimitReader(file, maxFileBytes+1))
	if err != nil {
		return nil, fmt.Errorf("keys: %s: %w", path, err)
	}
	if len(data) > maxFileBytes {
		return nil, fmt.Errorf("keys: %s is too large for a key file", path)
	}
	return data, nil
}

// create writes a new file. It never writes over one: a file of that name gives
// an error that wraps fs.ErrExist.
func (f folder) create(name string, data []byte) error {
	return f.write(name, data, func(temp, path string) error {
		// Unlike a rename, a link fails when the name is taken.
		if err := os.Link(temp, path); err != nil {
			return err
		}
		f.step("unlink " + name)
		return os.Remove(temp)
	})
}

// replace writes a file in place of the one of that name, if any.
func (f folder) replace(name string, data []byte) error {
	return f.write(name, data, os.Rename)
}

func (f folder) write(name string, data []byte, publish func(temp, path string) error) (err error) {
	f.step("make " + name)
	// CreateTemp makes files with mode 0600.
	temp, err := os.CreateTemp(f.path, tempPrefix+name+"-")
	if err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	defer func() {
		if err != nil {
			temp.Close()
			os.Remove(temp.Name())
		}
	}()
	f.step("write " + name)
	if _, err := temp.Write(data); err != nil {
		return fmt.Errorf("keys: %s: %w", name, err)
	}
	f.step("sync " + name)
	if err := temp.Sync(); err != nil {
		return fmt.Errorf("keys: %s: %w", name, err)
	}
	if err := temp.Close(); err != nil {
		return fmt.Errorf("keys: %s: %w", name, err)
	}
	f.step("publish " + name)
	if err := publish(temp.Name(), f.join(name)); err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	f.step("sync folder of " + name)
	return syncFolder(f.path)
}

func syncFolder(path string) error {
	dir, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	return errors.Join(dir.Sync(), dir.Close())
}

// inNewFolder makes the folder at path and lets fill write into it. The folder
// appears under its name only when fill is done and everything is synced; when
// something is there already the error wraps ErrExists and nothing is touched.
func inNewFolder(path string, at func(step string), fill func(folder) error) (err error) {
	entries, err := os.ReadDir(path)
	switch {
	case err == nil && len(entries) > 0:
		return fmt.Errorf("%w: %s", ErrExists, path)
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("keys: %w", err)
	}
	parent := filepath.Dir(filepath.Clean(path))
	if err := os.MkdirAll(parent, folderMode); err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	// MkdirTemp makes folders with mode 0700.
	temp, err := os.MkdirTemp(parent, tempPrefix+filepath.Base(path)+"-")
	if err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	f := folder{path: temp, at: at}
	published := false
	defer func() {
		if err != nil && !published {
			os.RemoveAll(temp)
		}
	}()
	if err := fill(f); err != nil {
		return err
	}
	f.step("publish folder")
	// Go's Rename does not replace a folder, so an empty one goes first; Remove
	// refuses when something has appeared in it since.
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("keys: %w", err)
	}
	if err := os.Rename(temp, path); err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	published = true
	f.step("sync parent folder")
	return syncFolder(parent)
}
