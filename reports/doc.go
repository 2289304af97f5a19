// Package reports draws the printed pages of a kitchen's records. One message goes in (a
// DayLog) and an A4 PDF comes out; nothing else is read, no clock is asked and no file is
// opened, so that the same message always gives the same bytes.
//
// The pages are made for paper: black on white, readable after a photocopier. Whatever is
// unusual carries a word and a mark, never a colour alone. Figures are printed as they were
// judged, so that a reader with a pocket calculator comes to the same verdict.
package reports
