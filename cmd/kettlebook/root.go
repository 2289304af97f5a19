package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"kettlebook/records"
)

// softwareVersion is written into every entry and printed on every log.
const softwareVersion = "kettlebook 0.1"

// Exit codes of every command.
const (
	exitSound    = 0 // done; sound
	exitFailed   = 1 // could not do it; could not check
	exitUsage    = 2 // called wrongly
	exitTampered = 3 // evidence of tampering
)

// exitError carries an exit code with its error.
type exitError struct {
	code int
	err  error
}

func (e *exitError) Error() string { return e.err.Error() }
func (e *exitError) Unwrap() error { return e.err }

func usage(format string, args ...any) error {
	return &exitError{exitUsage, fmt.Errorf(format, args...)}
}

// run is the whole program: data on out, words on errw.
func run(ctx context.Context, args []string, in io.Reader, out, errw io.Writer) int {
	root := newRoot()
	root.SetArgs(args)
	root.SetIn(in)
	root.SetOut(out)
	root.SetErr(errw)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return exitSound
	}
	say(errw, err)
	var ee *exitError
	if errors.As(err, &ee) {
		return ee.code
	}
	return exitFailed
}

// say prints an error as the program's word, and its cure as a hint. Texts of
// records may stand in it, so nothing in it steers the terminal.
func say(w io.Writer, err error) {
	text, cure := err.Error(), ""
	var fe *records.FieldError
	st, ok := status.FromError(err)
	switch {
	case text == "":
		return
	case errors.As(err, &fe):
		if cure = fe.Cure; cure != "" {
			text = strings.Replace(text, " ("+cure+")", "", 1)
		}
	case errors.Is(err, context.Canceled) || ok && st.Code() == codes.Canceled:
		text = "interrupted"
	case ok:
		text = st.Message() // without grpc's own words
	}
	for i, line := range strings.Split(strings.TrimPrefix(text, "kettlebook: "), "\n") {
		if i == 0 {
			line = "kettlebook: " + line
		}
		fmt.Fprintln(w, clean(line))
	}
	if cure != "" {
		fmt.Fprintln(w, "hint: "+clean(cure))
	}
}

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:   "kettlebook",
		Short: "The record book of a sugar kitchen: thermometers proved, cooks recorded, logs sealed",
		Long: "Kettlebook proves the thermometers of a sugar kitchen every day, records every cook,\n" +
			"does the arithmetic with honest uncertainty, flags what is wrong, and prints sealed\n" +
			"daily logs that anyone can verify. It reports what records show; it never says that\n" +
			"food is safe. Your food-safety plan, local codes and licensed practice prevail.",
		Version:       softwareVersion,
		SilenceErrors: true,
		SilenceUsage:  true,
	}
	root.SetVersionTemplate("{{.Version}}\n")
	root.CompletionOptions.HiddenDefaultCmd = true
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return &exitError{exitUsage, fmt.Errorf("%w\nhint: %s --help", err, c.CommandPath())}
	})
	root.RunE = func(c *cobra.Command, args []string) error {
		if len(args) > 0 {
			return usage("there is no command %q\nhint: kettlebook --help", args[0])
		}
		return c.Help()
	}
	root.Args = cobra.ArbitraryArgs
	for _, f := range commands {
		c := f()
		wrongArgsAreUsage(c)
		root.AddCommand(c)
	}
	return root
}

// wrongArgsAreUsage makes a wrong number of arguments an error of usage, in a
// command and in those below it.
func wrongArgsAreUsage(c *cobra.Command) {
	if inner := c.Args; inner != nil {
		c.Args = func(c *cobra.Command, args []string) error {
			if err := inner(c, args); err != nil {
				return usage("wrong number of arguments: %d\nhint: usage: %s", len(args), c.UseLine())
			}
			return nil
		}
	}
	for _, below := range c.Commands() {
		wrongArgsAreUsage(below)
	}
}

// commands are the subcommands, each from its own file.
var commands = []func() *cobra.Command{
	demoCommand, initCommand, keysCommand, serveCommand, transcribeCommand, verifyCommand,
	checkCommand, pressureCommand, batchCommand, deviationCommand, amendCommand, dayCommand, logCommand, ledgerCommand,
	siteCommand, personCommand, pinCommand, instrumentCommand, formulaCommand, backupCommand, restoreCommand, rebuildCommand,
	calcCommand, dialsCommand, forecastCommand,
}

// environment variables that stand in for flags that are asked again and again.
func fromEnv(value *string, name string) {
	if *value == "" {
		*value = os.Getenv(name)
	}
}
