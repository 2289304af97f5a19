package main

import (
	"fmt"
	"net"

	"github.com/spf13/cobra"
)

func serveCommand() *cobra.Command {
	var dir, listen string
	var plain bool
	c := &cobra.Command{
		Use:   "serve --dir DIR",
		Short: "Serve a kitchen to its tablets until interrupted",
		Args:  cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if dir == "" {
				return usage("--dir is needed\nhint: kettlebook serve --help")
			}
			if plain && !loopbackOnly(listen) {
				return usage("plain text is served on loopback only, not on %s\nhint: leave --plaintext out, or --listen 127.0.0.1:7443", listen)
			}
			w := c.ErrOrStderr()
			k, err := openFolder(c.Context(), dir, openOptions{tls: !plain, rate: 200, words: w})
			if err != nil {
				return err
			}
			defer k.close()
			return serveUntil(c, k, listen, plain)
		},
	}
	f := c.Flags()
	f.StringVar(&dir, "dir", "", "the kitchen's folder")
	f.StringVar(&listen, "listen", "127.0.0.1:7443", "address to serve on")
	f.BoolVar(&plain, "plaintext", false, "serve without TLS, on loopback only")
	return c
}

func loopbackOnly(addr string) bool {
	host, _, err := net.SplitHostPort(addr)
	ip := net.ParseIP(host)
	return err == nil && (host == "localhost" || ip != nil && ip.IsLoopback())
}

// serveUntil serves the network until the context ends, then stops gracefully.
func serveUntil(c *cobra.Command, k *kitchen, listen string, plain bool) error {
	l, err := localListener(listen)
	if err != nil {
		return err
	}
	w := c.ErrOrStderr()
	how := "TLS"
	if plain {
		how = "plain text, this machine only"
	}
	fmt.Fprintf(w, "Serving on %s (%s). Ctrl-C stops it.\n", l.Addr(), how)
	printFingerprints(w, k.ring, k.dir)
	done := make(chan error, 1)
	go func() { done <- k.server.GRPC().Serve(l) }()
	select {
	case err := <-done:
		return err
	case <-c.Context().Done():
		fmt.Fprintln(w, "Stopping: what is being written is finished first.")
		k.close()
		return nil
	}
}
