package web

import (
	"context"
	"net/http"
	"time"

	"github.com/labstack/echo/v4"
)

// probeWithin is how long the program may take to answer a probe: those who ask
// (systemd, Kubernetes, load balancers) give up after some seconds themselves.
const probeWithin = 2 * time.Second

// probe answers "ok" when check does, and the problem when it does not; with what is
// wrong for those who may look on.
func (s *Server) probe(check func(context.Context) error, wrong func(string) *problem) echo.HandlerFunc {
	return func(c echo.Context) error {
		if check != nil {
			ctx, cancel := context.WithTimeout(c.Request().Context(), probeWithin)
			defer cancel()
			if err := check(ctx); err != nil {
				if s.rightOf(c.Request()) == RightNone { // it may name folders
					return wrong("something is wrong: paired devices and the service's log are told what")
				}
				return wrong(err.Error())
			}
		}
		return c.String(http.StatusOK, "ok\n")
	}
}

func notHealthy(why string) *problem {
	return &problem{status: http.StatusServiceUnavailable, code: "not_healthy", message: why}
}

func notReady(why string) *problem {
	return &problem{status: http.StatusServiceUnavailable, code: "not_ready", message: why}
}
