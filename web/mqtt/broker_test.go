package mqtt

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"polard/web"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// broker is a real Mosquitto with two listeners, plain and TLS, both asking for a
// password.
type broker struct {
	plain, tls string // addresses
	ca         string // file
	conf       string
	cmd        *exec.Cmd
}

const (
	testUser     = "pier"
	testPassword = "correct horse" // of no use anywhere
	patience     = 30 * time.Second
)

func mosquitto(t *testing.T) string {
	t.Helper()
	for _, path := range []string{"mosquitto", "/usr/sbin/mosquitto"} {
		if found, err := exec.LookPath(path); err == nil {
			return found
		}
	}
	if os.Getenv("CI") == "true" {
		t.Fatal("no mosquitto: install Debian's mosquitto")
	}
	t.Skip("no mosquitto (Debian's mosquitto)")
	return ""
}

func freePort(t *testing.T) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	_, port, _ := net.SplitHostPort(ln.Addr().String())
	return port
}

func startBroker(t *testing.T) *broker {
	t.Helper()
	mosquitto(t)
	dir := t.TempDir()
	b := &broker{ca: filepath.Join(dir, "ca.pem"), conf: filepath.Join(dir, "mosquitto.conf")}
	passwords := filepath.Join(dir, "passwords")
	if out, err := exec.Command("mosquitto_passwd", "-b", "-c", passwords, testUser, testPassword).CombinedOutput(); err != nil {
		t.Fatalf("mosquitto_passwd: %v: %s", err, out)
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test broker"}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	cert, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.MarshalECPrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	keyFile := filepath.Join(dir, "key.pem")
	for path, block := range map[string]*pem.Block{b.ca: {Type: "CERTIFICATE", Bytes: cert}, keyFile: {Type: "EC PRIVATE KEY", Bytes: der}} {
		if err := os.WriteFile(path, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	plain, secure := freePort(t), freePort(t)
	b.plain, b.tls = "mqtt://127.0.0.1:"+plain, "mqtts://127.0.0.1:"+secure
	conf := fmt.Sprintf("per_listener_settings false\nallow_anonymous false\npassword_file %s\nlistener %s 127.0.0.1\nlistener %s 127.0.0.1\ncertfile %s\nkeyfile %s\n",
		passwords, plain, secure, b.ca, keyFile)
	if os.Getuid() == 0 {
		conf += "user root\n" // else it cannot read the files of this test
	}
	if err := os.WriteFile(b.conf, []byte(conf), 0o600); err != nil {
		t.Fatal(err)
	}
	b.start(t)
	t.Cleanup(b.stop)
	return b
}

func (b *broker) start(t *testing.T) {
	t.Helper()
	b.cmd = exec.Command(mosquitto(t), "-c", b.conf)
	if err := b.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the broker to listen", func() bool {
		c, err := net.Dial("tcp", strings.TrimPrefix(b.plain, "mqtt://"))
		if err == nil {
			c.Close()
		}
		return err == nil
	})
}

func (b *broker) stop() {
	if b.cmd != nil {
		_ = b.cmd.Process.Kill()
		_ = b.cmd.Wait()
		b.cmd = nil
	}
}

func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if holds() {
			return
		}
	}
	t.Fatalf("waited in vain for %s", what)
}

// ear hears everything below a prefix, with what is retained.
type ear struct {
	mu     sync.Mutex
	last   map[string]string
	frames []int64
	client paho.Client
}

func (b *broker) hear(t *testing.T) *ear {
	t.Helper()
	e := &ear{last: make(map[string]string)}
	opt := paho.NewClientOptions().AddBroker("tcp" + strings.TrimPrefix(b.plain, "mqtt")).SetClientID("ear-" + t.Name()).SetUsername(testUser).SetPassword(testPassword)
	opt.SetConnectRetry(true).SetConnectRetryInterval(50 * time.Millisecond).SetMaxReconnectInterval(100 * time.Millisecond)
	subscribed := make(chan struct{}, 10)
	opt.SetOnConnectHandler(func(c paho.Client) {
		c.Subscribe("polard/#", 1, func(_ paho.Client, m paho.Message) {
			e.mu.Lock()
			defer e.mu.Unlock()
			e.last[m.Topic()] = string(m.Payload())
			if strings.HasSuffix(m.Topic(), "/frame") {
				var f Frame
				if json.Unmarshal(m.Payload(), &f) == nil {
					e.frames = append(e.frames, f.ID)
				}
			}
		}).Wait()
		subscribed <- struct{}{}
	})
	e.client = paho.NewClient(opt)
	e.client.Connect()
	t.Cleanup(func() { e.client.Disconnect(100) })
	select {
	case <-subscribed:
	case <-time.After(patience):
		t.Fatal("no subscription")
	}
	return e
}

func (e *ear) says(topic, words string) bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	return strings.Contains(e.last[topic], words)
}

func (e *ear) heard(id int64) bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	for _, f := range e.frames {
		if f == id {
			return true
		}
	}
	return false
}

func stateOf(id int64, totalArcmin float64) web.State {
	return web.State{
		Phase: "watching", ToleranceArcmin: 1,
		Now:    &web.AxisStatus{Offset: web.Offset{TotalArcmin: web.Number(totalArcmin)}},
		Latest: &web.Latest{ID: id, File: fmt.Sprintf("f%d.fits", id), ReadMs: 1773519304000, Solved: true, Stars: []web.Star{{X: 1}}},
	}
}

// publish runs a publisher until the test or the function given ends it.
func publish(t *testing.T, opt Options) (*Publisher, context.CancelFunc) {
	t.Helper()
	opt.Prefix, opt.Program = "polard", "polard test"
	if opt.Pier == "" {
		opt.Pier = "pier-7"
	}
	p, err := NewPublisher(opt)
	if err != nil {
		t.Fatal(err)
	}
	ctx, end := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- p.Run(ctx) }()
	stop := sync.OnceFunc(func() {
		end()
		select {
		case err := <-ended:
			if err != nil {
				t.Error(err)
			}
		case <-time.After(patience):
			t.Error("the publisher did not end")
		}
	})
	t.Cleanup(stop)
	return p, stop
}

// Over TLS with a password: states and alarms are retained, frames pass, and the
// end is told.
func TestPublishOverTLS(t *testing.T) {
	b := startBroker(t)
	p, stop := publish(t, Options{Broker: b.tls, User: testUser, Password: testPassword, CAFile: b.ca})
	early := b.hear(t)
	p.Publish(stateOf(1, 12.5))
	eventually(t, "the first frame", func() bool { return early.heard(1) && early.says("polard/pier-7/state", `"total_arcmin":12.5`) })
	s := stateOf(2, 3.25)
	s.Alarms = []web.Alarm{{Code: "axis_moved", Message: "moved", SinceUTC: "2026-03-14T20:00:00Z"}}
	p.Publish(s)
	eventually(t, "the second frame", func() bool { return early.heard(2) && early.says("polard/pier-7/alarm", "axis_moved") })
	if early.says("polard/pier-7/frame", "stars") && early.says("polard/pier-7/frame", "x_px") {
		t.Error("the frame carries its stars")
	}
	// Who comes late hears what is retained, and no frame.
	late := b.hear(t)
	eventually(t, "what is retained", func() bool {
		return late.says("polard/pier-7/status", `"online":true`) && late.says("polard/pier-7/state", `3.25`) && late.says("polard/pier-7/alarm", "moved")
	})
	if late.heard(1) || late.heard(2) {
		t.Error("a frame was retained")
	}
	stop()
	eventually(t, "the goodbye", func() bool { return early.says("polard/pier-7/status", `"online":false`) })
}

// A broker that goes away and comes back, having lost everything, gets the newest
// state and every frame read meanwhile.
func TestPublisherComesBack(t *testing.T) {
	b := startBroker(t)
	p, _ := publish(t, Options{Broker: b.plain, User: testUser, Password: testPassword})
	e := b.hear(t)
	p.Publish(stateOf(1, 1))
	eventually(t, "the first frame", func() bool { return e.heard(1) })
	b.stop()
	for id := range int64(5) {
		p.Publish(stateOf(id+2, float64(id+2)))
	}
	b.start(t)
	eventually(t, "what was read meanwhile", func() bool {
		for id := range int64(5) {
			if !e.heard(id + 2) {
				return false
			}
		}
		return e.says("polard/pier-7/state", `"total_arcmin":6`) && e.says("polard/pier-7/status", `"online":true`)
	})
}

// When the connection breaks without a word, the broker says so: the last will.
func TestLastWill(t *testing.T) {
	b := startBroker(t)
	relay := newProxy(t, strings.TrimPrefix(b.plain, "mqtt://"))
	p, _ := publish(t, Options{Broker: "mqtt://" + relay.addr, User: testUser, Password: testPassword})
	e := b.hear(t)
	p.Publish(stateOf(1, 1))
	eventually(t, "the first frame", func() bool { return e.heard(1) && e.says("polard/pier-7/status", `"online":true`) })
	relay.cut()
	eventually(t, "the last will", func() bool { return e.says("polard/pier-7/status", `"online":false`) })
}

// relay passes connections on until it is cut.
type relay struct {
	addr string
	ln   net.Listener
	mu   sync.Mutex
	all  []net.Conn
}

func newProxy(t *testing.T, to string) *relay {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &relay{addr: ln.Addr().String(), ln: ln}
	t.Cleanup(p.cut)
	go func() {
		for {
			in, err := ln.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("tcp", to)
			if err != nil {
				in.Close()
				continue
			}
			p.mu.Lock()
			p.all = append(p.all, in, out)
			p.mu.Unlock()
			go func() { _, _ = io.Copy(in, out); in.Close() }()
			go func() { _, _ = io.Copy(out, in); out.Close() }()
		}
	}()
	return p
}

func (p *relay) cut() {
	p.ln.Close()
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range p.all {
		c.Close()
	}
}

// A wrong password, a certificate that nobody vouches for and a broker that is not
// there are told in the log, once, and hold up nothing.
func TestBrokerRefuses(t *testing.T) {
	b := startBroker(t)
	for name, opt := range map[string]Options{
		"wrong password":      {Broker: b.plain, User: testUser, Password: "wrong"},
		"unknown certificate": {Broker: b.tls, User: testUser, Password: testPassword},
		"nobody there":        {Broker: "mqtt://127.0.0.1:" + freePort(t)},
	} {
		var log lockedBuilder
		opt.Logger = slog.New(slog.NewTextHandler(&log, nil))
		p, stop := publish(t, opt)
		p.Publish(stateOf(1, 1))
		eventually(t, name, func() bool { return strings.Contains(log.String(), "cannot be reached") })
		time.Sleep(3 * firstRetry)
		if n := strings.Count(log.String(), "cannot be reached"); n != 1 {
			t.Errorf("%s: told %d times", name, n)
		}
		stop()
	}
}

type lockedBuilder struct {
	mu sync.Mutex
	b  strings.Builder
}

func (l *lockedBuilder) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuilder) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func TestOptions(t *testing.T) {
	notPEM := filepath.Join(t.TempDir(), "ca.pem")
	if err := os.WriteFile(notPEM, []byte("hello"), 0o600); err != nil {
		t.Fatal(err)
	}
	good := Options{Broker: "mqtt://broker.example:1883", Prefix: "polard", Pier: "a"}
	if _, err := NewPublisher(good); err != nil {
		t.Error(err)
	}
	for says, change := range map[string]func(*Options){
		"no address":      func(o *Options) { o.Broker = "broker" },
		"begins with":     func(o *Options) { o.Broker = "http://broker.example:1883" },
		"lacks the port":  func(o *Options) { o.Broker = "mqtts://broker.example" },
		"password out":    func(o *Options) { o.Broker = "mqtt://a:b@broker.example:1883" },
		"at least one":    func(o *Options) { o.Pier = "" },
		"slash would":     func(o *Options) { o.Pier = "a/b" },
		"a meaning of":    func(o *Options) { o.Prefix = "site/#" },
		"leave the slash": func(o *Options) { o.Prefix = "site/" },
		"no certificate":  func(o *Options) { o.CAFile = notPEM },
		"no such file":    func(o *Options) { o.CAFile = notPEM + "x" },
	} {
		opt := good
		change(&opt)
		if _, err := NewPublisher(opt); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%q: %v", says, err)
		}
	}
}
