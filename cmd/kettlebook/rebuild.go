package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"kettlebook/records/store/sqlite"
	"kettlebook/server"
)

func rebuildCommand() *cobra.Command {
	return atMachine(&cobra.Command{
		Use:   "rebuild --dir DIR",
		Short: "Make anew what is looked up, from the entries of the ledger",
		Long: "Brings a folder of older software to this one's form: drops everything that is looked up\n" +
			"(batches, checks, days and the like), makes it again from the entries, and checks all of it.\n" +
			"No entry is touched.",
		Args: cobra.NoArgs,
	}, func(c *cobra.Command, dir string, _ []string) error { return rebuild(c.Context(), c, dir) })
}

func rebuild(ctx context.Context, c *cobra.Command, dir string) (err error) {
	if err := holdsKitchen(dir); err != nil {
		return err
	}
	lock, err := lockFolder(dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	st, err := sqlite.Open(ctx, sqlite.Config{Path: filepath.Join(dir, databaseFile), Site: 1, Project: server.Projector(), ProjectionVersion: projectionVersion, Upgrade: true})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, st.Close()) }()
	rebuilt := st.Rebuild(ctx)
	report, err := st.Check(ctx)
	if err := errors.Join(tampered(err), rebuilt); err != nil {
		return err
	}
	fmt.Fprintf(c.ErrOrStderr(), "Made anew from %d entries: %d rows to look up by. All of it was checked.\n", report.Size, report.Projections)
	return nil
}
