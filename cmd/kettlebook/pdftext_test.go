package main

import (
	"bytes"
	"fmt"
	"os/exec"
)

// pdfText gives the text of a PDF by pdftotext (poppler-utils).
func pdfText(pdf []byte) (string, error) {
	c := exec.Command("pdftotext", "-layout", "-", "-")
	c.Stdin = bytes.NewReader(pdf)
	out, err := c.Output()
	if err != nil {
		return "", fmt.Errorf("pdftotext (apt-get install poppler-utils): %w", err)
	}
	return string(out), nil
}
