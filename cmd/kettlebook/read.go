package main

import (
	"context"

	"kettlebook/client"
	kb "kettlebook/proto/kettlebook/v1"
	sv "kettlebook/proto/kettlebook/service/v1"
)

// allLogs lists all sealed logs in order of serial.
func allLogs(ctx context.Context, c *client.Client) ([]*kb.LogSealed, error) {
	var out []*kb.LogSealed
	token := ""
	for {
		r, err := c.Day.ListLogs(ctx, &sv.ListLogsRequest{PageSize: 500, PageToken: token})
		if err != nil {
			return nil, err
		}
		out = append(out, r.GetRows()...)
		if token = r.GetNextPageToken(); token == "" {
			return out, nil
		}
	}
}
