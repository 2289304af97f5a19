package main

import (
	"crypto/tls"
	"fmt"
	"net"

	"github.com/spf13/cobra"
)

func serveCommand() *cobra.Command {
	var dir, listen, cert, key string
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
			if (cert == "") != (key == "") || cert != "" && plain {
				return usage("--cert and --key go together, and not with --plaintext\nhint: kettlebook serve --help")
			}
			w := c.ErrOrStderr()
			o := openOptions{tls: !plain, rate: 200, words: w}
			if cert != "" {
				own, err := tls.LoadX509KeyPair(cert, key)
				if err != nil {
					return fmt.Errorf("the service's own certificate: %w\nhint: give PEM files, the certificate first and its issuers after it", err)
				}
				o.own = &own
			}
			k, err := openFolder(c.Context(), dir, o)
			if err != nil {
				return err
			}
			defer k.close()
			if why := k.server.ReadOnly(); why != nil {
				say(w, why)
			}
			return serveUntil(c, k, listen, plain)
		},
	}
	f := c.Flags()
	f.StringVar(&dir, "dir", "", "the kitchen's folder")
	f.StringVar(&listen, "listen", "127.0.0.1:7443", "address to serve on")
	f.StringVar(&cert, "cert", "", "the kitchen's own certificate for the service (PEM), instead of the private CA's")
	f.StringVar(&key, "key", "", "its private key (PEM)")
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
