package main

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

func logCommand() *cobra.Command {
	return family("log", "Sealed daily logs", logList(), logGet())
}

func logList() *cobra.Command {
	return listing(&cobra.Command{Use: "list", Short: "List sealed logs in order of serial", Args: cobra.NoArgs},
		[]string{"SERIAL", "DAY", "ISSUE", "SEALED", "FILE", "SHA-256"},
		func(ctx context.Context, s *session, _ []string, size int32, token string) (*sv.ListLogsResponse, error) {
			return s.Day.ListLogs(ctx, &sv.ListLogsRequest{PageSize: size, PageToken: token})
		},
		func(ctx context.Context, s *session, l *kb.LogSealed) []string {
			return []string{fmt.Sprint(l.GetSerial()), l.GetProductionDay(), fmt.Sprint(l.GetIssue()), minute(l.GetSealedAt(), s.zone(ctx)), l.GetFileName(), hex.EncodeToString(l.GetPdfSha256())[:12]}
		})
}

func logGet() *cobra.Command {
	var out string
	c := reading(&cobra.Command{
		Use:   "get DATE|SERIAL",
		Short: "Fetch a sealed log as it was kept",
		Long: "Fetches a log by its serial, or the latest issue of a day, and writes it to a file of its own\n" +
			"name, or to --out. A file that is there and says something else is never written over.",
		Example: "  kettlebook log get 2026-03-02 --dir k\n  kettlebook log get 3 --out - --dir k > three.pdf",
		Args:    cobra.ExactArgs(1),
	}, func(ctx context.Context, s *session, args []string) error {
		req := new(sv.GetLogRequest)
		if n, err := strconv.ParseUint(args[0], 10, 32); err == nil && n > 0 {
			req.Serial = uint32(n)
		} else if _, err := time.Parse(time.DateOnly, args[0]); err == nil {
			req.ProductionDay = args[0]
		} else {
			return usage("%q is neither a day nor a serial\nhint: kettlebook log list", args[0])
		}
		pdf, name, err := s.FetchLog(ctx, req)
		if err != nil {
			return blame(err, map[string]string{"serial": args[0], "production_day": args[0]})
		}
		if out == "-" {
			if isTerminal(s.cmd.OutOrStdout()) {
				return usage("a PDF is nothing for a terminal\nhint: send it to a file or a program")
			}
			_, err := s.out.w.Write(pdf)
			return err
		}
		if out == "" {
			out = name
		}
		old, err := os.ReadFile(out)
		switch {
		case err == nil && bytes.Equal(old, pdf):
		case err == nil:
			return &records.FieldError{Kind: records.ErrExists, Field: out, Problem: "is there and is another file", Cure: "choose another name with --out"}
		case !errors.Is(err, fs.ErrNotExist):
			return err
		default:
			if err := writeFile(out, pdf); err != nil {
				return err
			}
		}
		s.out.line(0, out)
		return nil
	})
	c.Flags().StringVarP(&out, "out", "o", "", "file to write; - for standard output")
	return c
}
