// Package seal puts a digital seal on a PDF and checks such seals.
//
// Sign takes a finished document with a classic cross-reference table and
// appends two revisions to it:
//
//	revision 1   the document, byte for byte as handed in
//	revision 2   a form with two empty signature fields, and the attached files
//	revision 3   the first field filled in: the seal
//	revision 4   (CounterSign, later) the second field filled in, nothing else
//
// The seal is a PAdES baseline B-B signature (ETSI EN 319 142-1): sub-filter
// ETSI.CAdES.detached, the claimed time in the dictionary's /M and no CMS
// signing-time, RSA PKCS #1 v1.5 with SHA-256. The same input gives the same
// bytes.
//
// Verify reads a file from scratch and tells what it found. It is stricter than
// the common viewers: every byte of the file is either under the digest of the
// last signature or is part of that signature's own value, whose spelling
// (lower-case hexadecimal, one DER structure, zeros behind it) leaves no room
// for a second reading. Each certificate carried along is bound by a signed
// attribute. So one changed byte anywhere is found, and every byte behind the
// last signature too.
//
// A seal without an anchor proves only that the file is intact; whose seal it
// is takes a fingerprint or a certificate from somewhere else (Trust).
//
// Nothing here reads a clock, draws random numbers or opens a connection: time,
// keys and the random source of the certificate makers are handed in.
package seal
