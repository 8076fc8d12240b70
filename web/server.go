package web

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"runtime/debug"
	"sync"
	"time"

	"github.com/labstack/echo/v4"
)

// Options say how a [Server] runs. Operator or Shown is required.
type Options struct {
	// Addr is HOST:PORT; empty means 127.0.0.1 on any free port.
	Addr string
	// AllowNetwork lets Addr be reachable from other machines. Those see nothing
	// until they are paired; browsers on this machine need no pairing over loopback.
	AllowNetwork bool
	// Forwarded says that somebody passes connections on to Addr, such as the port
	// forwarder of a container: then nobody is taken for this machine by his address.
	Forwarded bool
	// LocalKey is a secret that only who may operate this machine's services can read.
	// Who shows it as a bearer token from an address of the machine counts as the machine
	// even so. Empty: there is none.
	LocalKey string
	// Devices keeps who is paired over restarts; nil: until the service stops.
	Devices Devices
	// Certificate makes the service speak TLS; nil: it speaks plain HTTP, and who
	// listens on the network can take a device's cookie.
	Certificate *tls.Certificate
	// Authority is the certificate (DER) of who signed Certificate, for devices to install
	// that are to trust it; nil where browsers know it anyway.
	Authority []byte
	// Hosts are further names under which this machine is opened, such as
	// "mount.local". Names that are not ours are refused.
	Hosts []string
	// Operator carries out what the page asks.
	Operator Operator
	// Shown answers with what is to be seen when that is no session: it takes the
	// place of the session's page and of all commands, and is asked only for those
	// who may look on.
	Shown http.Handler
	// Rig is the simulated rig; nil outside a rehearsal.
	Rig Rig
	// Equipment is the camera and the mount that the service operates; nil where it operates none.
	Equipment Equipment
	// Notes keep what the page is to know again, and Nights tell of earlier
	// nights. An Operator needs both.
	Notes  Notes
	Nights Nights
	// Logger takes what goes wrong; nil discards it.
	Logger *slog.Logger
	// Healthy tells whether the program behind the page answers, nil for one
	// that always does; Able, whether it can do its work, and if not, why.
	Healthy, Able func(context.Context) error
	// Metrics answers at /metrics; nil serves none.
	Metrics http.Handler
	// Ready is called with the page's address as soon as it can be opened.
	Ready func(url string)
}

// mostClients bounds the open websockets: far above a night's phones and laptops and well below
// what would hurt, as a client costs some 30 kB.
const mostClients = 512

// stopWithin bounds how long Run takes to return after its context ends: a request may be on its way, and be answered slowly.
// With what a disk that hangs is given then, the whole service ends within two seconds.
const stopWithin = time.Second

// Server is the HTTP and websocket service. Its constructor starts nothing.
type Server struct {
	opt     Options
	assets  *assets
	hub     *hub
	echo    *echo.Echo
	pairing *pairing
	rates   *rates
	live    sync.WaitGroup // open websockets
	now     func() time.Time
	beat    time.Duration
	listen  func(ctx context.Context, addr string) (net.Listener, error)

	mu       sync.Mutex
	state    *State
	pictures []*picture // oldest first
	memories uint64     // grows when something was noted
	sun      *Sun       // as last published
	reached  []string   // addresses at which others open the page
	started  bool
	stopping bool
}

// New makes a server; [Server.Run] runs it. Publishing before that is fine.
func New(opt Options) (*Server, error) {
	switch {
	case opt.Operator == nil && opt.Shown == nil:
		return nil, errors.New("web: no operator, and nothing to be shown")
	case opt.Operator != nil && (opt.Notes == nil || opt.Nights == nil):
		return nil, errors.New("web: an operator, and nothing that keeps notes")
	}
	if opt.Addr == "" {
		opt.Addr = "127.0.0.1:0"
	}
	if err := checkAddr(opt.Addr, opt.AllowNetwork); err != nil {
		return nil, err
	}
	if opt.Logger == nil {
		opt.Logger = slog.New(slog.DiscardHandler)
	}
	a, err := loadAssets(SharedFiles())
	if err != nil {
		return nil, err
	}
	s := &Server{
		opt:    opt,
		assets: a,
		hub:    newHub(mostClients),
		now:    time.Now,
		beat:   beatEvery,
		rates:  newRates(),
		listen: func(ctx context.Context, addr string) (net.Listener, error) {
			return new(net.ListenConfig).Listen(ctx, "tcp", addr)
		},
	}
	if s.pairing, err = newPairing(opt.Devices, func() time.Time { return s.now() }); err != nil {
		opt.Logger.Error("the list of paired devices cannot be read: nobody is paired", "error", err)
	}
	s.echo = s.router()
	return s, nil
}

func (s *Server) router() *echo.Echo {
	e := echo.New()
	e.HideBanner, e.HidePort = true, true
	e.HTTPErrorHandler = s.answerError
	e.Use(s.contain, s.headers, s.checkHost, s.checkBounds)
	e.GET(PairPath, s.getPairPage)
	e.GET("/assets/:version/*", s.getAsset)
	if s.opt.Authority != nil {
		e.GET(AuthorityPath, func(c echo.Context) error {
			return c.Blob(http.StatusOK, "application/x-x509-ca-cert", s.opt.Authority)
		})
	}
	e.GET("/healthz", s.probe(s.opt.Healthy, notHealthy))
	e.GET("/readyz", s.probe(s.opt.Able, notReady))
	if s.opt.Metrics != nil {
		e.GET("/metrics", echo.WrapHandler(s.opt.Metrics), s.checkView)
	}
	api := e.Group("/api/v1", checkOrigin)
	s.pairingRoutes(api)
	if s.opt.Shown != nil {
		e.GET("/", s.getShown)
		shown := echo.WrapHandler(s.opt.Shown)
		e.GET("/*", shown, checkOrigin, s.checkView)
		api.GET("/*", shown, s.checkView)
		return e
	}
	e.GET("/", s.getPage)
	api.GET("/openapi.json", getOpenAPI)
	api.GET("/messages.json", getMessages)
	api.GET("/problems", getProblems)
	view := api.Group("", s.checkView)
	view.GET("/state", s.getState)
	view.GET("/live", s.getLive)
	view.GET("/preview.jpg", s.getPreview)
	view.GET("/memories", s.getMemories)
	view.GET("/setup", s.getSetup)
	view.POST("/balance", s.postBalance)
	s.commandRoutes(api.Group("", s.checkOperate))
	return e
}

// contain keeps a panic to its request.
func (s *Server) contain(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) (err error) {
		defer func() {
			if r := recover(); r != nil {
				s.opt.Logger.Error("panic in the service: our fault",
					"path", c.Request().URL.Path, "panic", r, "stack", string(debug.Stack()))
				err = &problem{status: http.StatusInternalServerError, code: "internal", message: "something went wrong in the service; its log says what"}
			}
		}()
		return next(c)
	}
}

// Run listens and serves until ctx ends, then says goodbye to every browser
// and returns nil. It can be called once.
func (s *Server) Run(ctx context.Context) error {
	s.mu.Lock()
	again := s.started
	s.started = true
	s.mu.Unlock()
	if again {
		return errors.New("web: Run was called twice")
	}
	ln, err := s.listen(ctx, s.opt.Addr)
	if err != nil {
		return fmt.Errorf("cannot listen on %s: %w (is another one running? choose another port)", s.opt.Addr, err)
	}
	scheme := "http"
	bounded := boundConns(ln, mostClients, s.opt.Forwarded)
	ln = bounded
	if s.opt.Certificate != nil {
		scheme = "https"
		// TLS 1.2 with its sound suites is what every browser of this decade
		// speaks (RFC 9325, section 3.1.1).
		ln = tls.NewListener(bounded, &tls.Config{Certificates: []tls.Certificate{*s.opt.Certificate}, MinVersion: tls.VersionTLS12})
	}
	srv := s.httpServer(ctx)
	served := make(chan error, 1)
	go func() { served <- srv.Serve(ln) }()
	if s.opt.Ready != nil {
		s.opt.Ready(scheme + "://" + ln.Addr().String() + "/")
	}
	following, unfollow := context.WithCancel(ctx)
	defer unfollow()
	go s.pairing.follow(following, s.opt.Logger) // not waited for: the disk may hang
	minute := time.NewTicker(sunEvery)
	defer minute.Stop()
	for running := true; running; {
		select {
		case err := <-served:
			s.hub.close()
			s.leave()
			return fmt.Errorf("web: %w", err)
		case <-minute.C:
			s.followSun()
		case <-ctx.Done():
			running = false
		}
	}
	s.hub.close()
	bounded.dismiss()
	stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopWithin)
	defer cancel()
	if err := srv.Shutdown(stop); err != nil {
		_ = srv.Close()
	}
	<-served
	s.leave()
	return nil
}

// httpServer is echo's, with bounds on time and size.
func (s *Server) httpServer(ctx context.Context) *http.Server {
	srv := s.echo.Server
	srv.Handler = s.echo
	// A request's context ends with the service's, and with it the websocket.
	srv.BaseContext = func(net.Listener) context.Context { return ctx }
	srv.ErrorLog = slog.NewLogLogger(s.opt.Logger.Handler(), slog.LevelDebug)
	srv.ConnContext = withConn
	srv.ReadHeaderTimeout = 3 * time.Second // a packet that is lost twice is there again (RFC 6298)
	srv.ReadTimeout = 10 * time.Second
	srv.WriteTimeout = 30 * time.Second
	srv.IdleTimeout = 2 * time.Minute
	srv.MaxHeaderBytes = 16 << 10
	return srv
}

// Publish makes state the one that every page shows. The value is not kept
// beyond the call except as JSON and for joining its picture: do not change
// what its pointers and slices lead to. It never blocks on a client and does
// nothing after the service has stopped.
func (s *Server) Publish(state State) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.state = &state
	return s.publishLocked()
}

// SetAddresses says at which addresses other devices open the page.
func (s *Server) SetAddresses(all []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.reached = all
	if s.state == nil {
		return
	}
	if err := s.publishLocked(); err != nil {
		s.opt.Logger.Error("the page cannot be brought up to date", "error", err)
	}
}

// publishLocked sends s.state with the picture of its frame, if there is one.
func (s *Server) publishLocked() error {
	out := *s.state
	out.Latest = s.withPicture(out.Latest)
	out.Memories, out.Addresses = s.memories, s.reached
	out.Sun = s.sunLocked()
	s.sun = out.Sun
	b, err := json.Marshal(out)
	if err != nil {
		return fmt.Errorf("web: state does not fit JSON: %w", err)
	}
	s.hub.publish(b)
	return nil
}
