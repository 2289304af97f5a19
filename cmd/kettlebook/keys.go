package main

import (
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"kettlebook/records"
	"kettlebook/server/keys"
)

func keysCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "keys",
		Short: "The kitchen's keys: their fingerprints, and a seal of one's own",
		Args:  cobra.NoArgs,
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(keysShow(), keysImportSeal())
	return c
}

// openRing opens the keys of a folder; nothing is at work in it meanwhile.
func openRing(dir string) (*keys.Ring, func(), error) {
	if dir == "" {
		return nil, nil, usage("--dir is needed\nhint: kettlebook keys --help")
	}
	if !exists(filepath.Join(dir, "keys")) {
		return nil, nil, &records.FieldError{Kind: records.ErrNotFound, Problem: "there is no kitchen in " + dir, Cure: "make one: kettlebook init --dir " + dir}
	}
	lock, err := lockFolder(dir)
	if err != nil {
		return nil, nil, err
	}
	ring, err := keys.Open(filepath.Join(dir, "keys"))
	return ring, func() { _ = lock.Close() }, err
}

func keysShow() *cobra.Command {
	var dir string
	c := &cobra.Command{
		Use:   "show --dir DIR",
		Short: "Print the fingerprints to trust the service, the seal and the ledger by",
		Args:  cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			ring, done, err := openRing(dir)
			if err != nil {
				return err
			}
			defer done()
			printFingerprints(c.OutOrStdout(), ring, dir)
			return nil
		},
	}
	c.Flags().StringVar(&dir, "dir", "", "the kitchen's folder")
	return c
}

func keysImportSeal() *cobra.Command {
	var dir, key, cert string
	c := &cobra.Command{
		Use:   "import-seal --dir DIR --key KEY.pem --cert CERTS.pem",
		Short: "Seal with a key and certificate from elsewhere; the old seal is kept as retired",
		Long: "Takes an RSA private key (PEM, no passphrase) and its certificate with those of its issuers,\n" +
			"up to a self-signed one. Logs sealed from now on carry it; older logs keep theirs and go on\n" +
			"verifying. Choose a certificate that outlives the time your logs are kept.",
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if key == "" || cert == "" {
				return usage("--key and --cert are needed\nhint: kettlebook keys import-seal --help")
			}
			ring, done, err := openRing(dir)
			if err != nil {
				return err
			}
			defer done()
			k, err := os.ReadFile(key)
			if err != nil {
				return err
			}
			certs, err := os.ReadFile(cert)
			if err != nil {
				return err
			}
			s, err := ring.ImportSeal(k, certs, time.Now())
			if err != nil {
				return fmt.Errorf("%w\nhint: the old seal goes on being used", err)
			}
			if err := writeFile(filepath.Join(dir, "seal-ca.pem"), s.CAPEM()); err != nil {
				return err
			}
			w := c.ErrOrStderr()
			fmt.Fprintf(w, "Logs are sealed with %s from now on; its certificate lasts until %s.\n", s.Certificate.Subject.CommonName, s.Certificate.NotAfter.Format(time.DateOnly))
			printFingerprints(w, ring, dir)
			return nil
		},
	}
	f := c.Flags()
	f.StringVar(&dir, "dir", "", "the kitchen's folder")
	f.StringVar(&key, "key", "", "PEM file with the RSA private key")
	f.StringVar(&cert, "cert", "", "PEM file with the certificate and its issuers")
	return c
}
