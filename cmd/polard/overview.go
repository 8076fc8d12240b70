package main

import (
	"fmt"

	"polard/cmd/polard/internal/pairing"
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
	var reach reachFlags
	var state stateFlags
	var manage managing
	c := &cobra.Command{
		Use:   "overview --mqtt URL",
		Short: "show all piers that tell a broker of themselves on one page",
		Long: `overview subscribes to the MQTT broker that the piers tell ('polard serve --mqtt URL') and
serves one page for all of them: which need somebody, how far each axis stands from the
pole and how that changed over the nights, and how old that is. It operates nothing.

Other machines see nothing until they are paired: with --addr 0.0.0.0:8468 --allow-network
it shows a link and a picture of squares that let one device look on; 'polard overview
--pair' with the same --addr shows another while it runs, --devices lists who looks on, and
--revoke takes that back. These devices are others than those of 'polard serve'.

Stop it with Ctrl-C.`,
		Example: `  polard overview --mqtt mqtt://broker.example:1883
  polard overview --mqtt mqtt://broker.example:1883 --addr 0.0.0.0:8468 --allow-network
  polard overview --pair --addr 0.0.0.0:8468`,
		Args: noArguments, Annotations: map[string]string{configured: "yes"},
		RunE: func(c *cobra.Command, _ []string) error {
			if manage.wanted() {
				if manage.pair == string(web.RightOperate) {
					return wrongCall("--pair=%s: this page operates nothing; --pair lets a device look on", web.RightOperate)
				}
				return manage.run(c.Context(), reach, state, c.OutOrStdout())
			}
			if broker.broker == "" {
				return wrongCall("name the broker that the piers tell: --mqtt mqtt://HOST:1883")
			}
			log := loggerOf(c)
			opt, err := broker.options(log)
			if err != nil {
				return err
			}
			options, err := reach.options(state, pairing.OnlookersName, log)
			if err != nil {
				return err
			}
			store := overview.NewStore(log)
			options.Shown, options.Able, options.Logger = overview.Handler(store), store.Able, log
			var server *web.Server
			options.Ready = func(url string) {
				fmt.Fprintf(c.OutOrStdout(), "polard shows what %s is told; open %s\n", opt.Broker, pairing.Openable(url))
				reach.opened(c.Context(), server, url, c.OutOrStdout(), log)
				pairing.Invite(reach.reach(), server, url, web.RightView, "polard overview --pair", c.OutOrStdout(), log)
			}
			if server, err = web.New(options); err != nil {
				return err
			}
			group, ctx := errgroup.WithContext(c.Context())
			group.Go(func() error { return mqtt.Listen(ctx, opt, store) })
			group.Go(func() error { return server.Run(ctx) })
			return group.Wait()
		},
	}
	broker.add(c, "listen to this MQTT broker")
	reach.add(c, overviewAddr)
	manage.add(c, web.RightView)
	c.Flags().StringVar(&state.folder, "state", "", "keep the paired devices in this `FOLDER` (default: the user's folder for program state)")
	return c
}
