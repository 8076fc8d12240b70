package main

import (
	"io"
	"log/slog"

	"github.com/spf13/cobra"
)

// Forms of the log.
const (
	logText = "text"
	logJSON = "json"
)

func checkLogFormat(c *cobra.Command) error {
	if form, _ := c.Flags().GetString("log-format"); form != logText && form != logJSON {
		return wrongCall("--log-format %q: give %s or %s", form, logText, logJSON)
	}
	return nil
}

// loggerOf is the log of a command, on standard error, in the form asked for.
func loggerOf(c *cobra.Command) *slog.Logger {
	if form, _ := c.Flags().GetString("log-format"); form == logJSON {
		return slog.New(slog.NewJSONHandler(c.ErrOrStderr(), nil))
	}
	return newLogger(c.ErrOrStderr())
}

// newLogger is a log for people.
func newLogger(w io.Writer) *slog.Logger {
	return slog.New(slog.NewTextHandler(w, &slog.HandlerOptions{
		ReplaceAttr: func(_ []string, a slog.Attr) slog.Attr {
			if a.Key == slog.TimeKey {
				a.Value = slog.StringValue(a.Value.Time().Format("15:04:05"))
			}
			return a
		},
	}))
}
