package main

import (
	"context"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"kettlebook/client"
	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
)

// pageSize is how many rows are asked for at a time.
const pageSize = 500

// page is an answer with rows and the token of the next page.
type page[R any] interface {
	GetRows() []R
	GetNextPageToken() string
}

// eachRow walks all pages of a list until each says stop.
func eachRow[R any, P page[R]](fetch func(size int32, token string) (P, error), each func(R) (more bool, err error)) error {
	for token := ""; ; {
		p, err := fetch(pageSize, token)
		if err != nil {
			return err
		}
		for _, r := range p.GetRows() {
			if more, err := each(r); err != nil || !more {
				return err
			}
		}
		if token = p.GetNextPageToken(); token == "" {
			return nil
		}
	}
}

// listing makes a command that lists rows: an object a line with --json, a
// table otherwise.
func listing[R proto.Message, P page[R]](c *cobra.Command, head []string,
	fetch func(ctx context.Context, s *session, args []string, size int32, token string) (P, error),
	cells func(ctx context.Context, s *session, row R) []string,
) *cobra.Command {
	var most int
	c = reading(c, func(ctx context.Context, s *session, args []string) error {
		var table [][]string
		n := 0
		err := eachRow(func(size int32, token string) (P, error) {
			return fetch(ctx, s, args, size, token)
		}, func(row R) (bool, error) {
			n++
			if s.json {
				return n != most, s.out.object(row)
			}
			table = append(table, cells(ctx, s, row))
			return n != most, nil
		})
		switch {
		case err != nil || s.json:
		case n == 0:
			s.say("None.")
		default:
			s.out.table(head, table)
		}
		return err
	})
	c.Flags().IntVar(&most, "limit", 0, "most rows to show; 0 shows all")
	return c
}

// allLogs lists all sealed logs in order of serial.
func allLogs(ctx context.Context, c *client.Client) ([]*kb.LogSealed, error) {
	var out []*kb.LogSealed
	err := eachRow(func(size int32, token string) (*sv.ListLogsResponse, error) {
		return c.Day.ListLogs(ctx, &sv.ListLogsRequest{PageSize: size, PageToken: token})
	}, func(l *kb.LogSealed) (bool, error) {
		out = append(out, l)
		return true, nil
	})
	return out, err
}
