package server

import kb "kettlebook/proto/kettlebook/v1"

// InAccessTable says whether a method has a line in the access table, and
// which roles may call it.
func InAccessTable(method string) (roles []kb.Role, ok bool) {
	a, ok := accessTable[method]
	return a.roles, ok
}

// AccessTable lists the methods that have a line.
func AccessTable() []string {
	var out []string
	for m := range accessTable {
		out = append(out, m)
	}
	return out
}

// CodesByReason is the table from reasons to gRPC codes.
var CodesByReason = codesByReason
