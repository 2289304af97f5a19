package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"math/big"
	"os"
	"path/filepath"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
	"kettlebook/server/keys"
	"kettlebook/server/signin"
)

func initCommand() *cobra.Command {
	var dir, name, address, elevation, zone, dayStarts, admin, initials, pin string
	var hosts []string
	var onePerson bool
	c := &cobra.Command{
		Use:   "init --dir DIR --name NAME --elevation METRES --zone ZONE --admin NAME",
		Short: "Make a kitchen: its folder, keys, settings and first administrator",
		Args:  cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			fromEnv(&pin, "KETTLEBOOK_PIN")
			for flag, v := range map[string]string{"--dir": dir, "--name": name, "--elevation": elevation, "--zone": zone, "--admin": admin} {
				if v == "" {
					return usage("%s is needed\nhint: kettlebook init --help", flag)
				}
			}
			site, err := siteFrom(name, address, elevation, zone, dayStarts)
			if err != nil {
				return err
			}
			site.OnePerson = onePerson
			if initials == "" {
				initials = records.Initials(admin, func(string) bool { return false })
			}
			shown := pin == ""
			if shown {
				if pin, err = newPIN(); err != nil {
					return err
				}
			}
			person := &kb.Person{Initials: initials, PrintedName: admin, Roles: []kb.Role{kb.Role_ROLE_ADMINISTRATOR, kb.Role_ROLE_REVIEWER, kb.Role_ROLE_COOK}}
			if err := checkNew(site, person, pin); err != nil {
				return err
			}
			if err := createFolder(dir, name, time.Now(), hosts); err != nil {
				return err
			}
			k, err := openFolder(c.Context(), dir, openOptions{})
			if err != nil {
				return err
			}
			defer k.close()
			if err := furnish(c.Context(), k, site, person, pin); err != nil {
				return err
			}
			w := c.ErrOrStderr()
			fmt.Fprintf(w, "The kitchen %s stands in %s.\n", name, dir)
			fmt.Fprintf(w, "Sign in as %s", initials)
			if shown {
				fmt.Fprintf(w, " with PIN %s (write it down; it is kept nowhere)", pin)
			}
			fmt.Fprintln(w, ".")
			printFingerprints(w, k.ring, dir)
			fmt.Fprintf(w, "hint: kettlebook serve --dir %s\n", dir)
			return nil
		},
	}
	f := c.Flags()
	f.StringVar(&dir, "dir", "", "folder to make")
	f.StringVar(&name, "name", "", "printed name of the kitchen")
	f.StringVar(&address, "address", "", "its address")
	f.StringVar(&elevation, "elevation", "", "elevation above sea level in metres")
	f.StringVar(&zone, "zone", "", "time zone, for example Europe/Oslo")
	f.StringVar(&dayStarts, "day-starts", "04:00", "hour at which the production day starts")
	f.StringVar(&admin, "admin", "", "printed name of the first administrator")
	f.StringVar(&initials, "initials", "", "initials of the administrator (made from the name when absent)")
	f.StringVar(&pin, "pin", "", "PIN of the administrator; better in KETTLEBOOK_PIN; one is made when absent")
	f.StringSliceVar(&hosts, "host", nil, "further name or address that tablets reach this machine by")
	f.BoolVar(&onePerson, "one-person", false, "one person both makes and reviews here; printed wherever it is used")
	return c
}

// checkNew refuses what a new kitchen could not be made of, before anything is
// made: a folder is never left half furnished by a wrong flag.
func checkNew(site *kb.Site, person *kb.Person, pin string) error {
	flags := map[string]string{"name": "--name", "address": "--address", "elevation_m": "--elevation", "zone": "--zone", "initials": "--initials", "printed_name": "--admin"}
	for _, m := range []proto.Message{site, person} {
		if err := records.Validate(m); err != nil {
			return blame(err, flags)
		}
	}
	var rule *signin.RuleError
	if err := signin.CheckPIN(pin); errors.As(err, &rule) {
		return usage("--pin: %s", rule.Reason)
	}
	return nil
}

func siteFrom(name, address, elevation, zone, dayStarts string) (*kb.Site, error) {
	e, err := records.ParseDecimal(elevation)
	if err != nil {
		return nil, wrong("--elevation", err)
	}
	minute, err := clockMinute(dayStarts)
	if err != nil {
		return nil, wrong("--day-starts", err)
	}
	return &kb.Site{Name: name, Address: address, ElevationM: e, Zone: zone, DayStartsMin: minute}, nil
}

// clockMinute reads 04:00 as a minute of the day.
func clockMinute(s string) (uint32, error) {
	t, err := time.Parse("15:04", s)
	if err != nil {
		return 0, &records.FieldError{Kind: records.ErrInvalid, Problem: fmt.Sprintf("%q is no time of day", s), Cure: "write it as 04:00"}
	}
	return uint32(t.Hour()*60 + t.Minute()), nil
}

// newPIN makes a PIN of six digits that the rules take.
func newPIN() (string, error) {
	for {
		n, err := rand.Int(rand.Reader, big.NewInt(1_000_000))
		if err != nil {
			return "", err
		}
		pin := fmt.Sprintf("%06d", n)
		if signin.CheckPIN(pin) == nil {
			return pin, nil
		}
	}
}

// furnish enters settings and the first person of a new kitchen.
func furnish(ctx context.Context, k *kitchen, site *kb.Site, person *kb.Person, pin string) error {
	if _, err := k.operator.Kitchen.PutSite(ctx, &sv.PutSiteRequest{RequestId: uuid.NewString(), Site: site}); err != nil {
		return err
	}
	if person == nil {
		return nil
	}
	if _, err := k.operator.Kitchen.PutPerson(ctx, &sv.PutPersonRequest{RequestId: uuid.NewString(), Person: person}); err != nil {
		return err
	}
	_, err := k.operator.Session.SetPin(ctx, &sv.SetPinRequest{Initials: person.GetInitials(), NewPin: pin})
	return err
}

func printFingerprints(w io.Writer, ring *keys.Ring, dir string) {
	p := ring.Fingerprints()
	fmt.Fprintf(w, "Service CA (%s):\n  %s\n", filepath.Join(dir, "ca.pem"), p.TLSAuthority)
	fmt.Fprintf(w, "Seal CA (%s):\n  %s\n", filepath.Join(dir, "seal-ca.pem"), p.SealCA)
	fmt.Fprintf(w, "Ledger key:\n  %s\n", p.LedgerVerifier)
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}
