package devicestest

import (
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"
)

// Simulators are the drivers of a mount and a camera that come with the server, and what their
// devices are called.
var Simulators = []string{"indi_simulator_telescope", "indi_simulator_ccd"}

// Names of the simulators' devices.
const (
	SimulatedMount  = "Telescope Simulator"
	SimulatedCamera = "CCD Simulator"
)

// Server is an INDI server of a test.
type Server struct {
	Addr string // on loopback

	t       testing.TB
	drivers []string
	env     []string
	home    string
	cmd     *exec.Cmd
	ended   chan struct{}
}

// StartServer runs indiserver with drivers until the test ends. env is added to the drivers'
// environment. Without indi-bin the test is skipped, but in continuous integration it fails.
func StartServer(t testing.TB, env []string, drivers ...string) *Server {
	t.Helper()
	if _, err := exec.LookPath("indiserver"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("indiserver is not installed: apt-get install indi-bin")
		}
		t.Skip("indiserver is not installed: apt-get install indi-bin")
	}
	s := &Server{t: t, drivers: drivers, env: env, home: t.TempDir()}
	var err error
	for range 5 { // somebody may take a port between our asking for a free one and the server's start
		ln, listenErr := net.Listen("tcp", "127.0.0.1:0")
		if listenErr != nil {
			t.Fatal(listenErr)
		}
		s.Addr = ln.Addr().String()
		ln.Close()
		if err = s.start(); err == nil {
			t.Cleanup(s.Kill)
			return s
		}
	}
	t.Fatal(err)
	return nil
}

// Start starts the server again after Kill, on the same port.
func (s *Server) Start() {
	s.t.Helper()
	var err error
	for range 60 { // the drivers hold the port until they have ended
		if err = s.start(); err == nil {
			return
		}
		time.Sleep(500 * time.Millisecond)
	}
	s.t.Error(err) // of any goroutine
}

func (s *Server) start() error {
	_, port, err := net.SplitHostPort(s.Addr)
	if err != nil {
		return err
	}
	args := append([]string{"-p", port, "-m", "500", "-u", filepath.Join(s.home, "local"), "-r", "0"}, s.drivers...)
	s.cmd = exec.Command("indiserver", args...)
	s.cmd.Env = append(os.Environ(), "HOME="+s.home, "PATH="+StarsFolder(s.t)+":"+os.Getenv("PATH"))
	s.cmd.Env = append(s.cmd.Env, s.env...)
	log, err := os.OpenFile(filepath.Join(s.home, "server.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	s.cmd.Stdout, s.cmd.Stderr = log, log
	if err := s.cmd.Start(); err != nil {
		return err
	}
	log.Close()
	s.ended = make(chan struct{})
	go func(cmd *exec.Cmd, ended chan struct{}) {
		_ = cmd.Wait() // it is killed in the end
		close(ended)
	}(s.cmd, s.ended)
	for range 100 {
		conn, err := net.DialTimeout("tcp", s.Addr, time.Second)
		if err == nil {
			conn.Close()
			return nil
		}
		select {
		case <-s.ended:
			return fmt.Errorf("indiserver ended: %s", s.Log())
		case <-time.After(50 * time.Millisecond):
		}
	}
	s.Kill()
	return fmt.Errorf("indiserver does not answer: %s", s.Log())
}

// Set sets a property from outside, by the program that comes with the server. what is
// DEVICE.PROPERTY.ELEMENT=VALUE.
func (s *Server) Set(what string) {
	s.t.Helper()
	_, port, _ := net.SplitHostPort(s.Addr)
	if out, err := exec.Command("indi_setprop", "-p", port, "-t", "10", what).CombinedOutput(); err != nil {
		s.t.Fatalf("%s: %v: %s", what, err, out)
	}
}

// Log is what server and drivers wrote.
func (s *Server) Log() string {
	text, err := os.ReadFile(filepath.Join(s.home, "server.log"))
	if err != nil {
		return err.Error()
	}
	return string(text)
}

// Kill ends the server at once, as a power cut would; its drivers end with it.
func (s *Server) Kill() {
	_ = s.cmd.Process.Kill() // it may have ended
	<-s.ended
}

var stars struct {
	sync.Once
	folder string
	err    error
}

// StarsFolder is a folder with the program "gsc" in it, which the camera simulator calls for stars.
func StarsFolder(t testing.TB) string {
	t.Helper()
	stars.Do(func() {
		if stars.folder, stars.err = os.MkdirTemp("", "polard-gsc-"); stars.err != nil {
			return
		}
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
		defer cancel()
		out, err := exec.CommandContext(ctx, "go", "build", "-o", filepath.Join(stars.folder, "gsc"), "polard/cmd/polard/internal/devices/gsc").CombinedOutput()
		if err != nil {
			stars.err = fmt.Errorf("%w: %s", err, out)
		}
	})
	if stars.err != nil {
		t.Fatal(stars.err)
	}
	return stars.folder
}
