package main

import (
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"polard/cmd/polard/internal/harness"
	"polard/web"
	"polard/web/mqtt"
)

// startMosquitto runs a real broker on a free port until the test ends.
func startMosquitto(t testing.TB, more string) (url string) {
	t.Helper()
	path := debianTool(t, "mosquitto", "mosquitto")
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := ln.Addr().String()
	_, port, _ := net.SplitHostPort(addr)
	ln.Close()
	conf := filepath.Join(t.TempDir(), "mosquitto.conf")
	text := fmt.Sprintf("listener %s 127.0.0.1\nallow_anonymous true\n%s", port, more)
	if os.Getuid() == 0 {
		text += "\nuser root\n" // else it cannot read the files of this test
	}
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(path, "-c", conf)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	for end := time.Now().Add(harness.Patience); ; time.Sleep(10 * time.Millisecond) {
		c, err := net.Dial("tcp", addr)
		if err == nil {
			c.Close()
			return "mqtt://" + addr
		}
		if time.Now().After(end) {
			t.Fatal("the broker does not listen")
		}
	}
}

// piers hears what piers tell.
type piers struct {
	states chan mqtt.Pier
}

func (p *piers) HeardStatus(string, mqtt.Status)     {}
func (p *piers) HeardState(_ string, s mqtt.Pier)    { p.states <- s }
func (p *piers) LogUnreadable(topic string, e error) { panic(fmt.Sprint(topic, e)) }
func (p *piers) Connected(bool)                      {}

// A service tells a real broker what its page shows.
func TestServeTellsTheBroker(t *testing.T) {
	broker := startMosquitto(t, "")
	set := harness.Practice(t, harness.PracticeFolder+"/adjust_000")
	folder := t.TempDir()
	heard := &piers{states: make(chan mqtt.Pier, 100)}
	go func() {
		_ = mqtt.Listen(t.Context(), mqtt.Options{Broker: broker, Prefix: "site/polard"}, heard)
	}()
	r := start(t, append([]string{"serve", folder, "--mqtt", broker, "--mqtt-prefix", "site/polard", "--pier", "pier-7"}, set.SiteArgs()...)...)
	var s *web.State
	for i, f := range set.Frames[:set.Measure] {
		harness.WriteFrame(t, set.Paths()[i], filepath.Join(folder, f.File))
		s = r.After(t, f.File)
	}
	want, err := json.Marshal(s.Now.Offset)
	if err != nil {
		t.Fatal(err)
	}
	for {
		select {
		case p := <-heard.states:
			if p.Offset == nil {
				continue
			}
			if got, err := json.Marshal(p.Offset); err == nil && string(got) == string(want) && p.LastSolved && p.Phase == s.Phase {
				return
			}
		case <-time.After(harness.Patience):
			t.Fatalf("the broker was not told %s; log: %s", want, r.Stderr.String())
		}
	}
}

// What is wrong with the options of the broker is told before anything starts.
func TestBrokerOptions(t *testing.T) {
	folder := t.TempDir()
	empty := filepath.Join(folder, "password")
	if err := os.WriteFile(empty, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"--mqtt", "broker"}, "mqtt://HOST:1883"},
		{[]string{"--mqtt", "mqtt://a:b@c:1883"}, "password out"},
		{[]string{"--mqtt", "mqtt://c:1883", "--mqtt-password-file", empty}, "first line is empty"},
		{[]string{"--mqtt", "mqtt://c:1883", "--mqtt-password-file", empty + "x"}, "no such file"},
		{[]string{"--mqtt", "mqtt://c:1883", "--pier", "a/b"}, "slash"},
		{[]string{"--mqtt", "mqtts://c:1883", "--mqtt-ca", empty}, "no certificate"},
		{[]string{"--alarm-moved", "-1"}, "--alarm-moved -1"},
		{[]string{"--alarm-unsolved", "-1"}, "--alarm-unsolved -1"},
	} {
		status, _, stderr := call(t, append([]string{"serve", folder, "--no-log"}, c.args...)...)
		if status != exitUsage || !strings.Contains(stderr, c.says) {
			t.Errorf("%q: status %d: %s", c.args, status, stderr)
		}
	}
}
