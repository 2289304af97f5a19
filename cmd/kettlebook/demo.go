package main

import (
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"kettlebook/client"
	"kettlebook/records/clock"
	"kettlebook/reports/seal"
)

func demoCommand() *cobra.Command {
	var dir, listen string
	var once bool
	c := &cobra.Command{
		Use:   "demo [--dir DIR] [--once]",
		Short: "Make an invented kitchen, play three of its days, seal their logs, and serve it",
		Args:  cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			w := c.ErrOrStderr()
			if dir == "" {
				d, err := os.MkdirTemp("", "kettlebook-demo-")
				if err != nil {
					return err
				}
				dir = d
			}
			k, err := playDemo(c.Context(), dir, listen, time.Now(), w)
			if err != nil {
				return err
			}
			defer k.close()
			if err := verifyDemo(c, dir); err != nil {
				return err
			}
			fmt.Fprintf(w, "\nThe sealed logs are in %s\n", filepath.Join(dir, "logs"))
			if once {
				return nil
			}
			fmt.Fprintln(w, "Sign in with one of these:")
			for _, p := range demoPeople {
				fmt.Fprintf(w, "  %-4s PIN %s  %s\n", p.person.GetInitials(), p.pin, p.person.GetPrintedName())
			}
			fmt.Fprintf(w, "Serving on %s (TLS). Ctrl-C stops it.\n", k.address)
			printFingerprints(w, k.ring, dir)
			fmt.Fprintf(w, "hint: KETTLEBOOK_PIN=%s kettlebook day show --server %s --ca %s --as %s\n", demoPeople[0].pin, k.address, filepath.Join(dir, "ca.pem"), demoPeople[0].person.GetInitials())
			<-c.Context().Done()
			fmt.Fprintln(w, "Stopping: what is being written is finished first.")
			return nil
		},
	}
	f := c.Flags()
	f.StringVar(&dir, "dir", "", "folder to make the kitchen in; a temporary one when absent")
	f.StringVar(&listen, "listen", "127.0.0.1:0", "address to serve on; a free port when 0")
	f.BoolVar(&once, "once", false, "end after the logs are sealed and verified")
	return c
}

// demoKitchen is the kitchen with its network listener.
type demoKitchen struct {
	*kitchen
	address string
}

// playDemo makes the invented kitchen and plays the three days before today
// through the service, over TLS. The clock is stepped by hand until they are
// sealed, and follows the machine's from then on; the logs say so.
func playDemo(ctx context.Context, dir, listen string, now time.Time, w io.Writer) (_ *demoKitchen, err error) {
	zone, err := time.LoadLocation(demoSite.GetZone())
	if err != nil {
		return nil, err
	}
	today := now.In(zone)
	first := time.Date(today.Year(), today.Month(), today.Day()-3, 0, 0, 0, 0, zone)
	step := clock.NewStepping(first.Add(4*time.Hour + 30*time.Minute))
	fmt.Fprintf(w, "An invented kitchen: %s, %s.\n", demoSite.GetName(), demoSite.GetAddress())
	if err := createFolder(dir, demoSite.GetName(), step.Now(), nil); err != nil {
		return nil, err
	}
	k, err := openFolder(ctx, dir, openOptions{clock: step, stepped: true, tls: true, words: w})
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			k.close()
		}
	}()
	l, err := localListener(listen)
	if err != nil {
		return nil, err
	}
	go func() { _ = k.server.GRPC().Serve(l) }()
	if err := furnishDemo(ctx, k); err != nil {
		return nil, fmt.Errorf("furnishing the kitchen: %w", err)
	}
	d := &demoPlay{ctx: ctx, clock: step, dial: func() (*client.Client, error) {
		tls, err := localTLS(k.ring)
		if err != nil {
			return nil, err
		}
		return client.Dial(client.Options{Target: l.Addr().String(), TLS: tls})
	}}
	defer d.close()
	for i, play := range demoDays {
		morning := time.Date(first.Year(), first.Month(), first.Day()+i, 0, 0, 0, 0, zone)
		d.midnight, d.day = morning, morning.Format(time.DateOnly)
		fmt.Fprintf(w, "Day %d of %d, %s: ", i+1, len(demoDays), d.day)
		d.progress = func(word string) { fmt.Fprint(w, word, " ") }
		if err := play(d); err != nil {
			fmt.Fprintln(w)
			return nil, fmt.Errorf("%s: %w", d.day, err)
		}
		name, err := d.review()
		if err != nil {
			fmt.Fprintln(w)
			return nil, fmt.Errorf("reviewing %s: %w", d.day, err)
		}
		fmt.Fprintf(w, "reviewed and sealed: %s\n", name)
	}
	step.Follow(clock.System{})
	return &demoKitchen{kitchen: k, address: demoAddress(l)}, nil
}

func demoAddress(l net.Listener) string {
	_, port, err := net.SplitHostPort(l.Addr().String())
	if err != nil {
		return l.Addr().String()
	}
	return net.JoinHostPort("localhost", port)
}

// verifyDemo checks the sealed logs as anybody could.
func verifyDemo(c *cobra.Command, dir string) error {
	var t seal.Trust
	t.CheckedAt = time.Now()
	if err := addTrust(&t, dir); err != nil {
		return err
	}
	v := &verifier{trust: t}
	if err := v.all(filepath.Join(dir, "logs"), ""); err != nil {
		return err
	}
	return v.report(c.OutOrStdout(), false)
}
