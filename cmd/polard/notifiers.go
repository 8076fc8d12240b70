package main

import (
	"log/slog"
	"os"
	"strings"

	"polard/cmd/polard/internal/service"
	"polard/mountmodel/sky"
	"polard/web/alarm"
	"polard/web/mqtt"

	"github.com/spf13/cobra"
)

// brokerFlags say which MQTT broker to speak to.
type brokerFlags struct {
	broker, user, passwordFile, ca, prefix string
}

func (f *brokerFlags) add(c *cobra.Command, what string) {
	c.Flags().StringVar(&f.broker, "mqtt", "", what+": mqtt://HOST:1883, or mqtts://HOST:8883 for TLS (`URL`)")
	c.Flags().StringVar(&f.user, "mqtt-user", "", "`NAME` under which the broker knows this one")
	c.Flags().StringVar(&f.passwordFile, "mqtt-password-file", "", "`FILE` whose first line is the password for the broker")
	c.Flags().StringVar(&f.ca, "mqtt-ca", "", "`FILE` of certificates (PEM) to trust beside the system's")
	c.Flags().StringVar(&f.prefix, "mqtt-prefix", "polard", "`TOPIC` below which the piers tell")
}

// options are those of the broker's client.
func (f *brokerFlags) options(log *slog.Logger) (mqtt.Options, error) {
	o := mqtt.Options{Broker: f.broker, User: f.user, CAFile: f.ca, Prefix: f.prefix, Program: programName(), Logger: log}
	if f.passwordFile != "" {
		text, err := os.ReadFile(f.passwordFile)
		if err != nil {
			return o, wrongCall("--mqtt-password-file: %w", err)
		}
		first, _, _ := strings.Cut(string(text), "\n")
		if o.Password = strings.TrimRight(first, "\r"); o.Password == "" {
			return o, wrongCall("--mqtt-password-file %s: its first line is empty", f.passwordFile)
		}
	}
	if err := o.Check(); err != nil {
		return o, wrongCall("--mqtt: %w", err)
	}
	return o, nil
}

// notifierFlags are the options of what tells of the service while nobody looks at
// its page.
type notifierFlags struct {
	moved    float64
	unsolved int
	broker   brokerFlags
	pier     string
}

func (f *notifierFlags) add(c *cobra.Command) {
	c.Flags().Float64Var(&f.moved, "alarm-moved", alarm.DefaultMoved.Arcminutes(), "raise an alarm when the watched axis has moved by this much (`ARCMIN`); 0 raises none")
	c.Flags().IntVar(&f.unsolved, "alarm-unsolved", alarm.DefaultUnsolved, "raise an alarm when `N` frames in a row were not solved; 0 raises none")
	f.broker.add(c, "tell this MQTT broker how the axis stands")
	c.Flags().StringVar(&f.pier, "pier", "", "`NAME` of this pier at the broker and in a shared logbook (default: the machine's name)")
}

// name is that of the pier: the one given, or the machine's.
func (f *notifierFlags) name() (string, error) {
	if f.pier != "" {
		return f.pier, nil
	}
	host, err := os.Hostname()
	if err != nil {
		return "", wrongCall("this machine has no name (%w): give --pier", err)
	}
	return host, nil
}

// notifiers makes what the options ask for.
func (f *notifierFlags) notifiers(log *slog.Logger) (*service.Notifiers, error) {
	if !(f.moved >= 0 && f.moved <= 60*90) {
		return nil, wrongCall("--alarm-moved %g: give arcminutes, above 0, or 0 for no alarm", f.moved)
	}
	if f.unsolved < 0 {
		return nil, wrongCall("--alarm-unsolved %d: give a number of frames, or 0 for no alarm", f.unsolved)
	}
	o := service.NewNotifiers(programName(), alarm.Options{Moved: sky.Angle(f.moved) * sky.Arcminute, Unsolved: f.unsolved}, log)
	if f.broker.broker == "" {
		return o, nil
	}
	opt, err := f.broker.options(log)
	if err != nil {
		return nil, err
	}
	if opt.Pier, err = f.name(); err != nil {
		return nil, err
	}
	if o.Publisher, err = mqtt.NewPublisher(opt); err != nil {
		return nil, wrongCall("--pier: %w", err)
	}
	return o, nil
}
