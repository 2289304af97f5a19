package main

import (
	"context"
	"os"
	"strings"

	"github.com/spf13/cobra"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
)

func personCommand() *cobra.Command {
	return family("person", "The people of the kitchen", personPut(), personList())
}

func personPut() *cobra.Command {
	var name string
	var roles []string
	var left, rename bool
	c := writing(&cobra.Command{
		Use:   "put INITIALS --name NAME --role ROLE,...",
		Short: "Enter a person, or what changed about one",
		Long: "Enters a person under initials that are never given to anybody else, or a new version of\n" +
			"one. Roles: cook (makes checks and batches), reviewer (reviews days, decides on held\n" +
			"batches), administrator (keeps people, instruments and formulas), inspector (reads only).",
		Example: "  kettlebook person put OL --name \"Oda Lie\" --role cook,reviewer --dir k",
		Args:    cobra.ExactArgs(1),
	}, byAnyone, func(ctx context.Context, s *session, args []string) error {
		m := &kb.Person{Initials: args[0], PrintedName: name, Left: left}
		for _, r := range roles {
			n, err := parseEnum("--role", r, kb.Role(0).Descriptor())
			if err != nil {
				return err
			}
			m.Roles = append(m.Roles, kb.Role(n))
		}
		r, err := s.Kitchen.PutPerson(ctx, &sv.PutPersonRequest{RequestId: s.request, Person: m, Rename: rename})
		return s.answered(r, err, map[string]string{"person.initials": "initials", "person.printed_name": "--name", "person.roles": "--role"})
	})
	f := c.Flags()
	f.StringVar(&name, "name", "", "printed name")
	f.StringSliceVar(&roles, "role", nil, "cook, reviewer, administrator, inspector; several with commas")
	f.BoolVar(&left, "left", false, "the person no longer works here")
	f.BoolVar(&rename, "rename", false, "the same person, whose printed name is written another way")
	return c
}

func personList() *cobra.Command {
	return listing(&cobra.Command{Use: "list", Short: "List the staff register", Args: cobra.NoArgs},
		[]string{"INITIALS", "NAME", "ROLES"},
		func(ctx context.Context, s *session, _ []string, size int32, token string) (*sv.ListPeopleResponse, error) {
			return s.Kitchen.ListPeople(ctx, &sv.ListPeopleRequest{PageSize: size, PageToken: token})
		},
		func(_ context.Context, _ *session, p *kb.Person) []string {
			var roles []string
			for _, r := range p.GetRoles() {
				roles = append(roles, word(r))
			}
			if p.GetLeft() {
				roles = append(roles, "left")
			}
			return []string{p.GetInitials(), p.GetPrintedName(), strings.Join(roles, ", ")}
		})
}

func pinCommand() *cobra.Command {
	return family("pin", "PINs to sign in with", pinSet())
}

func pinSet() *cobra.Command {
	return command(&cobra.Command{
		Use:   "set INITIALS",
		Short: "Give a person a new PIN",
		Long: "Gives a person a new PIN of 4 to 12 digits: your own, or anybody's as an administrator or at\n" +
			"the machine that holds the folder. It is asked for twice, or taken from KETTLEBOOK_NEW_PIN.\n" +
			"All sessions of that person end.",
		Args: cobra.ExactArgs(1),
	}, byAnyone, false, func(ctx context.Context, s *session, args []string) error {
		const env = "KETTLEBOOK_NEW_PIN"
		pin, err := askPIN(ctx, s.cmd, "new PIN of "+args[0], env)
		if err != nil {
			return err
		}
		if os.Getenv(env) == "" {
			again, err := askPIN(ctx, s.cmd, "the same again", env)
			if err != nil {
				return err
			}
			if again != pin {
				return usage("the two PINs differ; nothing was changed")
			}
		}
		if _, err := s.Session.SetPin(ctx, &sv.SetPinRequest{Initials: args[0], NewPin: pin}); err != nil {
			return blame(err, map[string]string{"initials": args[0], "new_pin": "the new PIN"})
		}
		s.say("%s signs in with the new PIN from now on.", args[0])
		return nil
	})
}
