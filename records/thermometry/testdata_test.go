package thermometry_test

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// table reads a table of testdata. Its first line is a comment that names the
// source; the second names the columns.
func table(t testing.TB, name string) []map[string]string {
	t.Helper()
	file, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	reader := csv.NewReader(file)
	reader.Comment = '#'
	rows, err := reader.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) < 2 {
		t.Fatalf("%s holds no rows", name)
	}
	var out []map[string]string
	for _, row := range rows[1:] {
		named := map[string]string{}
		for i, column := range rows[0] {
			named[column] = row[i]
		}
		out = append(out, named)
	}
	return out
}

func number(t testing.TB, row map[string]string, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(row[column], 64)
	if err != nil {
		t.Fatalf("column %s: %v", column, err)
	}
	return v
}
