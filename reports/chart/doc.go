// Package chart draws the small curves of a daily log as vectors: gonum's plots on a canvas
// that writes into a PDF page. Nothing is drawn in colour.
package chart
