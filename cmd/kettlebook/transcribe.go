package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"google.golang.org/protobuf/encoding/protojson"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

func transcribeCommand() *cobra.Command {
	var dir, paper string
	var sealDays bool
	c := &cobra.Command{
		Use:   "transcribe FOLDER --dir DIR",
		Short: "Take paper sheets that were typed into CSV files",
		Long: "Reads site.csv, instruments.csv, formulas.csv, checks.csv, batches.csv, readings.csv and\n" +
			"cooling.csv from FOLDER (those that are there) into the kitchen in DIR, which is made from\n" +
			"site.csv when it is not there yet. A sheet is taken whole or not at all; a line taken before\n" +
			"adds nothing; a line that changed since is refused.",
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if dir == "" {
				return usage("--dir is needed\nhint: kettlebook transcribe --help")
			}
			return transcribe(c.Context(), args[0], dir, paper, sealDays, c.OutOrStdout(), c.ErrOrStderr())
		},
	}
	f := c.Flags()
	f.StringVar(&dir, "dir", "", "the kitchen's folder")
	f.StringVar(&paper, "paper", "", "what the paper is called, printed on the logs")
	f.BoolVar(&sealDays, "seal", false, "seal a log of each day on the sheets; it says that no person reviewed it")
	return c
}

func transcribe(ctx context.Context, folder, dir, paper string, sealDays bool, out, w io.Writer) error {
	set, err := readSheets(folder, nil)
	if err != nil {
		return err
	}
	if !exists(filepath.Join(dir, "keys")) {
		if set.site == nil {
			return &records.FieldError{Kind: records.ErrNotFound, Problem: "there is no kitchen in " + dir + " and no site.csv in " + folder, Cure: "put site.csv beside the other sheets, or make the kitchen first with kettlebook init"}
		}
		if err := records.Validate(set.site); err != nil {
			return set.sheets[0].locate(records.Within("rows[0].site", err)) // site.csv comes first
		}
		if err := createFolder(dir, set.site.GetName(), time.Now(), nil); err != nil {
			return err
		}
		fmt.Fprintf(w, "Made the kitchen %s in %s.\n", set.site.GetName(), dir)
	}
	k, err := openFolder(ctx, dir, openOptions{words: w})
	if err != nil {
		return err
	}
	defer k.close()
	known, err := peopleByName(ctx, k)
	if err != nil {
		return err
	}
	if len(known) > 0 {
		// Read again, so that people keep the initials that they have here.
		if set, err = readSheets(folder, known); err != nil {
			return err
		}
	}
	if err := checkSite(ctx, k, set); err != nil {
		return err
	}
	for _, u := range set.unread {
		fmt.Fprintln(w, "kettlebook: "+u)
	}
	for _, s := range set.sheets {
		r, err := k.operator.Sheet.TakeSheet(ctx, s.request(paper))
		if err != nil {
			return s.locate(err)
		}
		fmt.Fprintf(w, "%-16s %5d taken, %d taken before\n", s.name, r.GetRowsTaken(), r.GetRowsKnown())
	}
	if !sealDays {
		return nil
	}
	got, err := k.operator.Kitchen.GetSite(ctx, &sv.GetSiteRequest{})
	if err != nil {
		return err
	}
	settings, err := records.NewSettings(got.GetSite())
	if err != nil {
		return err
	}
	for _, day := range set.days(settings) {
		name, err := sealDay(ctx, k, day)
		if err != nil {
			return err
		}
		fmt.Fprintln(out, filepath.Join(dir, "logs", name))
	}
	return nil
}

// peopleByName gives the initials of everybody in the register.
func peopleByName(ctx context.Context, k *kitchen) (map[string]string, error) {
	out := map[string]string{}
	token := ""
	for {
		r, err := k.operator.Kitchen.ListPeople(ctx, &sv.ListPeopleRequest{PageSize: 500, PageToken: token})
		if err != nil {
			return nil, err
		}
		for _, p := range r.GetRows() {
			out[p.GetPrintedName()] = p.GetInitials()
		}
		if token = r.GetNextPageToken(); token == "" {
			return out, nil
		}
	}
}

// checkSite sets a new kitchen up from site.csv. A kitchen that has settings
// keeps them; a sheet of another kitchen, or of another elevation, is refused.
func checkSite(ctx context.Context, k *kitchen, set *sheetSet) error {
	if set.site == nil {
		return nil
	}
	got, err := k.operator.Kitchen.GetSite(ctx, &sv.GetSiteRequest{})
	if errors.Is(err, records.ErrNotSetUp) {
		return nil
	}
	if err != nil {
		return err
	}
	have := got.GetSite()
	differs := func(column, sheet, kitchen string) error {
		return &records.FieldError{Kind: records.ErrInvalid, Field: "site.csv, line 2, column " + column, Problem: fmt.Sprintf("the sheet says %q, the kitchen in the folder %q", sheet, kitchen), Cure: "correct the sheet, or give another --dir"}
	}
	switch {
	case have.GetName() != set.site.GetName():
		return differs("name", set.site.GetName(), have.GetName())
	case have.GetElevationM().GetMicro() != set.site.GetElevationM().GetMicro():
		return differs("elevation_m", records.FormatDecimal(set.site.GetElevationM()), records.FormatDecimal(have.GetElevationM()))
	case have.GetDayStartsMin() != set.site.GetDayStartsMin():
		return differs("production_day_starts", fmt.Sprintf("minute %d", set.site.GetDayStartsMin()), fmt.Sprintf("minute %d", have.GetDayStartsMin()))
	}
	if set.sheets[0].name == "site.csv" {
		set.sheets = set.sheets[1:]
	}
	return nil
}

// sealDay seals the log of a day by software and gives its file name. A day
// whose log holds this very content is left as it is.
func sealDay(ctx context.Context, k *kitchen, day string) (string, error) {
	d, err := k.operator.Day.GetDay(ctx, &sv.GetDayRequest{ProductionDay: day})
	if err != nil {
		return "", err
	}
	logs, err := allLogs(ctx, k.operator)
	if err != nil {
		return "", err
	}
	for _, l := range logs {
		if l.GetProductionDay() == day && string(l.GetContentSha256()) == string(d.GetContentSha256()) {
			return l.GetFileName(), nil
		}
	}
	r, err := k.operator.Day.SealDay(ctx, &sv.SealDayRequest{RequestId: uuid.NewString(), Seal: &kb.DaySeal{ProductionDay: day, LedgerSize: d.GetLedgerSize(), ContentSha256: d.GetContentSha256()}})
	if err != nil {
		return "", err
	}
	return r.GetLog().GetFileName(), nil
}

// parseContent reads a day's content.
func parseContent(raw []byte) (*kb.DayContent, error) {
	c := new(kb.DayContent)
	if err := protojson.Unmarshal(raw, c); err != nil {
		return nil, fmt.Errorf("day content: %w", err)
	}
	return c, nil
}

// locate turns a field path of the service into file, line and column.
func (s *sheet) locate(err error) error {
	var row int
	fe := asField(err)
	if fe == nil {
		return fmt.Errorf("%s: %w", s.name, err)
	}
	n, scan := fmt.Sscanf(fe.Field, "rows[%d]", &row)
	if scan != nil || n != 1 || row >= len(s.lines) {
		return fmt.Errorf("%s: %w", s.name, err)
	}
	_, path, _ := strings.Cut(fe.Field, "].")
	at := fmt.Sprintf("%s, line %d", s.name, s.lines[row])
	if column := s.column(path); column != "" {
		at += ", column " + column
	}
	return &records.FieldError{Kind: fe.Kind, Field: at, Problem: fe.Problem, Cure: fe.Cure}
}
