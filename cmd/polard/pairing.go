package main

import (
	"context"
	"crypto/tls"
	"fmt"
	"io"
	"net/http"
	"os"
	"slices"
	"strconv"
	"text/tabwriter"
	"time"

	"polard/cmd/polard/internal/announce"
	"polard/cmd/polard/internal/certificate"
	"polard/cmd/polard/internal/pairing"
	"polard/web"

	"github.com/spf13/cobra"
)

// tlsFlags name the certificate that the page is served with, or ask for one of our own.
type tlsFlags struct {
	cert, key string
	own       bool
}

func (f *tlsFlags) add(c *cobra.Command) {
	c.Flags().StringVar(&f.cert, "tls-cert", "", "serve the page over TLS with the certificate in this `FILE` (PEM, with those between it and its root)")
	c.Flags().StringVar(&f.key, "tls-key", "", "the certificate's key, in this `FILE` (PEM)")
	c.Flags().BoolVar(&f.own, "own-certificate", false, "serve the page over TLS with a certificate that is made here, once, and kept in the folder of state: browsers warn until its fingerprint was compared")
}

// named reads the certificate of the files named; nil when none is.
func (f *tlsFlags) named() (*tls.Certificate, error) {
	switch {
	case f.cert == "" && f.key == "":
		return nil, nil
	case f.own:
		return nil, wrongCall("--own-certificate and --tls-cert exclude each other")
	case f.cert == "" || f.key == "":
		return nil, wrongCall("--tls-cert and --tls-key go together")
	}
	cert, err := tls.LoadX509KeyPair(f.cert, f.key)
	if err != nil {
		return nil, wrongCall("--tls-cert %s with --tls-key %s: %w", f.cert, f.key, err)
	}
	return &cert, nil
}

// running is the certificate that a service started with the same options shows.
func (f *tlsFlags) running(state stateFlags) (*tls.Certificate, string, error) {
	if !f.own || f.cert != "" {
		cert, err := f.named()
		return cert, "", err
	}
	folder, err := state.place()
	if err != nil {
		return nil, "", err
	}
	own, err := certificate.Stored(folder)
	if err != nil {
		return nil, "", fmt.Errorf("there is no certificate in %s yet: start the service with --own-certificate first (%w)", folder, err)
	}
	return &own.Certificate, certificate.Hex(own.Fingerprint()), nil
}

// serving puts the certificate of a service that starts into its options.
func (f *reachFlags) serving(o *web.Options, state stateFlags) (err error) {
	if !f.tls.own || f.tls.cert != "" {
		o.Certificate, err = f.tls.named()
		return err
	}
	folder, err := state.place()
	if err != nil {
		return err
	}
	names := slices.Concat([]string{"localhost", "127.0.0.1", "::1"}, announce.Names, f.hosts, pairing.OwnAddresses())
	if host, err := os.Hostname(); err == nil {
		names = append(names, host, host+".local")
	}
	own, err := certificate.Load(folder, names, time.Now())
	if err != nil {
		return err
	}
	o.Certificate, o.Authority = &own.Certificate, own.Authority.Raw
	f.fingerprint = certificate.Hex(own.Fingerprint())
	return nil
}

// managing are the options that speak to a service that runs.
type managing struct {
	pair    string
	devices bool
	revoke  string
}

// add adds them; right is what a link gives that names none.
func (m *managing) add(c *cobra.Command, right web.Right) {
	what := "have the running service pair one more device, to operate or only to view (`RIGHT`)"
	if right == web.RightView {
		what = "have the running service pair one more device, to view (`RIGHT`)"
	}
	c.Flags().StringVar(&m.pair, "pair", "", what)
	c.Flags().Lookup("pair").NoOptDefVal = string(right)
	c.Flags().BoolVar(&m.devices, "devices", false, "list the devices that are paired with the running service")
	c.Flags().StringVar(&m.revoke, "revoke", "", "take the right from the device with this number in the running service, or from all (`ID`)")
}

func (m *managing) wanted() bool { return m.pair != "" || m.devices || m.revoke != "" }

// run does what is wanted and prints what came of it.
func (m *managing) run(ctx context.Context, page reachFlags, state stateFlags, out io.Writer) error {
	cert, fingerprint, err := page.tls.running(state)
	if err != nil {
		return err
	}
	page.fingerprint = fingerprint
	key := ""
	if folder, err := state.place(); err == nil {
		key = pairing.ReadLocalKey(folder)
	}
	s, err := pairing.NewClient(page.addr, cert, key)
	if err != nil {
		return callError{err}
	}
	switch {
	case m.pair != "":
		right, err := web.ParseRight(m.pair)
		if err != nil {
			return wrongCall("--pair: %w", err)
		}
		if pairing.LoopbackOnly(page.addr) {
			return wrongCall("a service at %s is for this machine only: start it with --addr 0.0.0.0:%s --allow-network, and give the same --addr here", page.addr, s.Port)
		}
		var answer struct {
			Code string `json:"code"`
		}
		if err := s.Ask(ctx, http.MethodPost, "invite", map[string]web.Right{"right": right}, &answer); err != nil {
			return err
		}
		return pairing.Print(out, page.reach(), s.Scheme, s.Port, right, answer.Code)
	case m.devices:
		var answer struct {
			Devices []struct {
				ID     int64     `json:"id"`
				Name   string    `json:"name"`
				Right  web.Right `json:"right"`
				Paired string    `json:"paired_utc"`
			} `json:"devices"`
		}
		if err := s.Ask(ctx, http.MethodGet, "devices", nil, &answer); err != nil {
			return err
		}
		table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(table, "ID\tRIGHT\tPAIRED\tDEVICE")
		for _, d := range answer.Devices {
			fmt.Fprintf(table, "%d\t%s\t%s\t%s\n", d.ID, d.Right, d.Paired, d.Name)
		}
		return table.Flush()
	}
	id := int64(0)
	if m.revoke != "all" {
		if id, err = strconv.ParseInt(m.revoke, 10, 64); err != nil || id <= 0 {
			return wrongCall("--revoke %q: give a device's number from --devices, or all", m.revoke)
		}
	}
	return s.Ask(ctx, http.MethodPost, "revoke", map[string]int64{"id": id}, nil)
}
