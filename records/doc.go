// Package records is the core of Kettlebook: the rules over the messages of
// kettlebook.v1. A rule is a function from what is known and what is asked to
// entries or an error. Nothing here reads a clock, a database or a network;
// time, ids and the acting person come in as values.
//
// One file a noun. A noun registers itself in its own file (see kinds.go): how
// it is validated and which projection rows it leaves.
package records

// RulesVersion names the rules that judge; it stands in every assessment and
// in every day's content. A change of any verdict needs a new version.
const RulesVersion = "1"
