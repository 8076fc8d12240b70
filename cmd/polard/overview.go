package main

import (
	"fmt"

	"polard/web"
	"polard/web/mqtt"
	"polard/web/overview"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"
)

// overviewAddr is beside the page of a pier on the same machine.
const overviewAddr = "127.0.0.1:8468"

func newOverview() *cobra.Command {
	var broker brokerFlags
	var addr string
	var network bool
	var hosts []string
	c := &cobra.Command{
		Use:   "overview --mqtt URL",
		Short: "show all piers that tell a broker of themselves on one page",
		Long: `overview subscribes to the MQTT broker that the piers tell ('polard serve --mqtt URL') and
serves one page for all of them: which need somebody, how far each axis stands from the
pole and how that changed over the nights, and how old that is. It operates nothing.

Stop it with Ctrl-C.`,
		Example: "  polard overview --mqtt mqtt://broker.example:1883",
		Args:    noArguments, Annotations: map[string]string{configured: "yes"},
		RunE: func(c *cobra.Command, _ []string) error {
			if broker.broker == "" {
				return wrongCall("name the broker that the piers tell: --mqtt mqtt://HOST:1883")
			}
			log := loggerOf(c)
			opt, err := broker.options(log)
			if err != nil {
				return err
			}
			if err := web.CheckAddr(addr, network); err != nil {
				return wrongCall("--addr: %w (--allow-network allows it)", err)
			}
			store := overview.NewStore(log)
			group, ctx := errgroup.WithContext(c.Context())
			group.Go(func() error { return mqtt.Listen(ctx, opt, store) })
			group.Go(func() error {
				return overview.Serve(ctx, store, overview.Options{Addr: addr, AllowNetwork: network, Hosts: hosts, Ready: func(url string) {
					fmt.Fprintf(c.OutOrStdout(), "polard shows what %s is told; open %s\n", opt.Broker, url)
				}})
			})
			return group.Wait()
		},
	}
	broker.add(c, "listen to this MQTT broker")
	c.Flags().StringVar(&addr, "addr", overviewAddr, "where the page is served (`HOST:PORT`; port 0 takes a free one)")
	c.Flags().BoolVar(&network, "allow-network", false, "let other machines look on when --addr can be reached from them")
	c.Flags().StringSliceVar(&hosts, "host", nil, "further `NAME` under which this machine is opened")
	return c
}
