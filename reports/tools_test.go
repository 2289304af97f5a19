package reports

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// The pages are read back with programs that nobody here wrote.

// tool runs a program; a machine without it fails the test and is told what to install.
func tool(t testing.TB, pkg, name string, args ...string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		t.Fatalf("%s is missing: apt-get install %s", name, pkg)
	}
	var out, errs bytes.Buffer
	cmd := exec.Command(path, args...)
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("%s %v: %v\n%s%s", name, args, err, out.String(), errs.String())
	}
	return out.String()
}

// onDisk keeps a document for the tools to read.
func onDisk(t testing.TB, pdf []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "log.pdf")
	if err := os.WriteFile(path, pdf, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// textOf gives what pdftotext reads, pages parted by form feeds.
func textOf(t testing.TB, pdf []byte, args ...string) string {
	t.Helper()
	return tool(t, "poppler-utils", "pdftotext", append(append([]string{"-layout"}, args...), onDisk(t, pdf), "-")...)
}
