package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"golang.org/x/term"
	"google.golang.org/protobuf/proto"

	"kettlebook/client"
	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

// behind says who must stand behind a command.
type behind int

const (
	// byAnyone: whoever may, be it the machine that holds the folder.
	byAnyone behind = iota
	// byPerson: a person signed in, whose name goes into the record.
	byPerson
	// byMachine: the machine that holds the folder, never through a service.
	byMachine
)

// door is how a command reaches a kitchen: its folder, opened in this
// process, or a service that runs elsewhere.
type door struct {
	dir, server, ca, as string
}

func (d *door) flags(c *cobra.Command, who behind) {
	f := c.Flags()
	f.StringVar(&d.dir, "dir", "", "the kitchen's folder on this machine (or KETTLEBOOK_DIR)")
	if who == byMachine {
		return
	}
	f.StringVar(&d.server, "server", "", "HOST:PORT of a running service, in place of --dir (or KETTLEBOOK_SERVER)")
	f.StringVar(&d.ca, "ca", "", "ca.pem to trust the service by (or KETTLEBOOK_CA)")
	f.StringVar(&d.as, "as", "", "initials to sign in with (or KETTLEBOOK_AS); the PIN is asked for, or taken from KETTLEBOOK_PIN")
}

// settle fills in from the environment what the flags leave open. A flag for
// the one way in shuts out the environment's other.
func (d *door) settle(c *cobra.Command, who behind) error {
	if who == byMachine {
		fromEnv(&d.dir, "KETTLEBOOK_DIR")
		if d.dir == "" {
			return usage("--dir is needed: this is done at the machine that holds the kitchen's folder")
		}
		return nil
	}
	if d.dir == "" {
		fromEnv(&d.server, "KETTLEBOOK_SERVER")
	}
	if d.server == "" {
		fromEnv(&d.dir, "KETTLEBOOK_DIR")
	}
	if !c.Flags().Changed("as") { // --as "" is the machine itself
		fromEnv(&d.as, "KETTLEBOOK_AS")
	}
	switch {
	case d.dir != "" && d.server != "":
		return usage("give --dir or --server, not both")
	case d.dir == "" && d.server == "":
		return usage("which kitchen? give --dir DIR, or --server HOST:PORT --ca FILE")
	case d.server != "":
		fromEnv(&d.ca, "KETTLEBOOK_CA")
	}
	if d.as == "" && (who == byPerson || d.server != "") {
		return usage("who are you? give your initials with --as")
	}
	return nil
}

// session is one command's time with a kitchen. Its client speaks for the
// person signed in, or for the machine itself.
type session struct {
	*client.Client
	cmd     *cobra.Command
	out     *printer
	json    bool
	request string
	kitchen *kitchen // nil when a service was reached
	person  *kb.Person

	settings records.Settings
	known    bool
}

// open reaches the kitchen and signs in where a person is asked for.
func (d *door) open(ctx context.Context, c *cobra.Command, who behind) (_ *session, err error) {
	if err := d.settle(c, who); err != nil {
		return nil, err
	}
	s := &session{cmd: c, out: newPrinter(c.OutOrStdout())}
	defer func() {
		if err != nil {
			s.close()
		}
	}()
	if d.server != "" {
		o := client.Options{Target: d.server}
		if d.ca != "" {
			if o.TLS, err = fileTLS(d.ca); err != nil {
				return nil, err
			}
		}
		if s.Client, err = client.Dial(o); err != nil {
			return nil, blame(err, map[string]string{"target": "--server"})
		}
		return s, s.signIn(ctx, d.as)
	}
	if s.kitchen, err = openFolder(ctx, d.dir, openOptions{words: c.ErrOrStderr()}); err != nil {
		return nil, err
	}
	if d.as == "" {
		s.Client = s.kitchen.operator
		return s, nil
	}
	if s.Client, err = client.Dial(client.Options{Dialer: s.kitchen.local.DialContext}); err != nil {
		return nil, err
	}
	return s, s.signIn(ctx, d.as)
}

func (s *session) signIn(ctx context.Context, initials string) error {
	pin, err := askPIN(ctx, s.cmd, "PIN of "+initials, "KETTLEBOOK_PIN")
	if err != nil {
		return err
	}
	r, err := s.SignIn(ctx, initials, pin, "command line")
	if err != nil {
		return blame(err, map[string]string{"pin": "--as " + initials})
	}
	s.person = r.GetPerson()
	return nil
}

// close signs out and lets the kitchen go.
func (s *session) close() {
	if s.Client != nil && s.person != nil {
		ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
		_, _ = s.Session.SignOut(ctx, &sv.SignOutRequest{}) // the session ends by itself anyway
		cancel()
		_ = s.Close()
	}
	if s.kitchen != nil {
		s.kitchen.close()
	}
}

// site gives the settings in force.
func (s *session) site(ctx context.Context) (records.Settings, error) {
	if s.known {
		return s.settings, nil
	}
	r, err := s.Kitchen.GetSite(ctx, &sv.GetSiteRequest{})
	if err != nil {
		return s.settings, err
	}
	s.settings, err = records.NewSettings(r.GetSite())
	s.known = err == nil
	return s.settings, err
}

// zone is the kitchen's clock; UTC while there are no settings.
func (s *session) zone(ctx context.Context) *time.Location {
	settings, err := s.site(ctx)
	if err != nil {
		return time.UTC
	}
	return settings.Location()
}

// say writes words to standard error.
func (s *session) say(format string, args ...any) {
	fmt.Fprintf(s.cmd.ErrOrStderr(), format+"\n", args...)
}

// receipted is an answer with a receipt.
type receipted interface {
	proto.Message
	GetReceipt() *sv.Receipt
}

// answered ends a command that leaves a record: it tells what was kept, or
// which argument was refused (see blame).
func (s *session) answered(r receipted, err error, from map[string]string) error {
	if err != nil {
		from["request_id"] = "--request-id"
		return blame(err, from)
	}
	if s.json {
		return s.out.object(r)
	}
	s.kept(r.GetReceipt())
	return nil
}

// kept tells of a receipt.
func (s *session) kept(r *sv.Receipt) {
	again := ""
	if r.GetReplayed() {
		again = " (before; nothing was added now)"
	}
	if r.GetCount() == 1 {
		s.say("Kept as entry %d%s.", r.GetFirstSequence(), again)
		return
	}
	s.say("Kept as entries %d to %d%s.", r.GetFirstSequence(), r.GetFirstSequence()+r.GetCount()-1, again)
}

// askPIN takes a PIN from the environment, or from the terminal without
// showing it.
func askPIN(ctx context.Context, c *cobra.Command, what, env string) (string, error) {
	if pin := os.Getenv(env); pin != "" {
		return pin, nil
	}
	in, ok := c.InOrStdin().(*os.File)
	if !ok || !term.IsTerminal(int(in.Fd())) {
		return "", usage("no %s: there is no terminal to ask on\nhint: set %s", what, env)
	}
	fd := int(in.Fd())
	before, err := term.GetState(fd)
	if err != nil {
		return "", err
	}
	w := c.ErrOrStderr()
	fmt.Fprint(w, what+": ")
	defer fmt.Fprintln(w)
	type answer struct {
		pin []byte
		err error
	}
	got := make(chan answer, 1)
	go func() {
		b, err := term.ReadPassword(fd)
		got <- answer{b, err}
	}()
	select {
	case <-ctx.Done():
		return "", errors.Join(ctx.Err(), term.Restore(fd, before))
	case a := <-got:
		return strings.TrimSpace(string(a.pin)), a.err
	}
}

// reading makes a command that only looks: --json gives what the service
// answered.
func reading(c *cobra.Command, run func(context.Context, *session, []string) error) *cobra.Command {
	return command(c, byAnyone, false, run)
}

// writing makes a command that leaves a record.
func writing(c *cobra.Command, who behind, run func(context.Context, *session, []string) error) *cobra.Command {
	return command(c, who, true, run)
}

func command(c *cobra.Command, who behind, writes bool, run func(context.Context, *session, []string) error) *cobra.Command {
	var d door
	var asJSON bool
	var request string
	d.flags(c, who)
	c.Flags().BoolVar(&asJSON, "json", false, "write what the service answered as JSON, one object a line")
	if writes && who != byMachine {
		c.Flags().StringVar(&request, "request-id", "", "UUID of this request, to send it again so that it is kept once")
	}
	c.RunE = func(c *cobra.Command, args []string) error {
		ctx := c.Context()
		s, err := d.open(ctx, c, who)
		if err != nil {
			return err
		}
		defer s.close()
		s.json, s.request = asJSON, request
		if request == "" {
			s.request = uuid.NewString()
		}
		err = run(ctx, s, args)
		if err == nil && s.kitchen != nil && s.kitchen.server.ReadOnly() != nil {
			say(c.ErrOrStderr(), s.kitchen.server.ReadOnly())
		}
		if writes && errors.Is(err, records.ErrUnavailable) {
			err = fmt.Errorf("%w\nhint: it may have been kept; to keep it once, send it again with the same --at and --request-id %s", err, s.request)
		}
		return errors.Join(err, s.out.flush())
	}
	return c
}

// atMachine makes a command that works on the kitchen's folder itself, beside
// the service or while it is stopped.
func atMachine(c *cobra.Command, run func(c *cobra.Command, dir string, args []string) error) *cobra.Command {
	var d door
	d.flags(c, byMachine)
	c.RunE = func(c *cobra.Command, args []string) error {
		if err := d.settle(c, byMachine); err != nil {
			return err
		}
		return run(c, d.dir, args)
	}
	return c
}

// family makes a command that only holds others.
func family(use, short string, members ...*cobra.Command) *cobra.Command {
	c := &cobra.Command{Use: use, Short: short, Args: cobra.ArbitraryArgs}
	c.RunE = func(c *cobra.Command, args []string) error {
		if len(args) > 0 {
			return usage("there is no command %q\nhint: %s --help", use+" "+args[0], c.CommandPath())
		}
		return c.Help()
	}
	c.AddCommand(members...)
	return c
}
