package mqtt

import (
	"cmp"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"strings"
	"sync"
	"time"

	"polard/web"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

// Options say which broker to speak to, and how.
type Options struct {
	// Broker is its address: mqtt://HOST:1883, or mqtts://HOST:8883 for TLS;
	// ws and wss for websockets.
	Broker         string
	User, Password string
	CAFile         string // certificates to trust beside the system's; PEM
	Prefix         string // of the topics
	Pier           string // name of this one; a publisher needs it
	Program        string // name and version
	Logger         *slog.Logger
}

// Times of a connection.
const (
	keepAlive    = 15 * time.Second // a broker tells of a lost one after 1.5 of these (MQTT 3.1.1, section 3.1.2.10)
	longestRetry = 30 * time.Second
	firstRetry   = 1 * time.Second
	goodbyeWait  = time.Second
)

// Check says what is wrong with the options, before anything is tried.
func (o Options) Check() error {
	u, err := url.Parse(o.Broker)
	if err != nil || u.Host == "" {
		return fmt.Errorf("%q is no address of a broker: give mqtt://HOST:1883, or mqtts://HOST:8883 for TLS", o.Broker)
	}
	switch u.Scheme {
	case "mqtt", "tcp", "mqtts", "ssl", "ws", "wss":
	default:
		return fmt.Errorf("%q: a broker's address begins with mqtt:// or mqtts:// (TLS), ws:// or wss://", o.Broker)
	}
	if u.Port() == "" {
		return fmt.Errorf("%q lacks the port: brokers listen on 1883, with TLS on 8883", o.Broker)
	}
	if _, hasPassword := u.User.Password(); hasPassword {
		return errors.New("leave the password out of the broker's address, where everybody sees it: keep it in a file")
	}
	if err := checkName(o.Prefix); err != nil {
		return fmt.Errorf("prefix of the topics: %w", err)
	}
	_, err = o.tls()
	return err
}

// tls is the configuration of TLS with the trusted certificates.
func (o Options) tls() (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12}
	if o.CAFile == "" {
		return c, nil
	}
	pem, err := os.ReadFile(o.CAFile)
	if err != nil {
		return nil, fmt.Errorf("certificates to trust: %w", err)
	}
	if c.RootCAs, err = x509.SystemCertPool(); err != nil {
		c.RootCAs = x509.NewCertPool()
	}
	if !c.RootCAs.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("%s holds no certificate in PEM form", o.CAFile)
	}
	return c, nil
}

// client prepares a client that connects, and comes back after every loss.
func (o Options) client(id string, connected func(paho.Client)) (*paho.ClientOptions, error) {
	c, err := o.tls()
	if err != nil {
		return nil, err
	}
	log := o.Logger
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	// paho names the schemes in its own way.
	broker := o.Broker
	for ours, theirs := range map[string]string{"mqtt://": "tcp://", "mqtts://": "ssl://"} {
		if rest, ok := strings.CutPrefix(broker, ours); ok {
			broker = theirs + rest
		}
	}
	opt := paho.NewClientOptions().AddBroker(broker).SetClientID(id).SetUsername(o.User).SetPassword(o.Password).SetTLSConfig(c)
	opt.SetKeepAlive(keepAlive).SetConnectRetry(true).SetConnectRetryInterval(firstRetry)
	opt.SetStore(noStore{})
	opt.SetAutoReconnect(true).SetMaxReconnectInterval(longestRetry).SetOrderMatters(true)
	opt.SetOnConnectHandler(func(c paho.Client) {
		log.Info("connected to the broker", "broker", o.Broker)
		connected(c)
	})
	opt.SetConnectionLostHandler(func(_ paho.Client, err error) {
		log.Warn("the connection to the broker is lost; trying again", "broker", o.Broker, "error", err)
	})
	var told sync.Once
	opt.SetConnectionNotificationHandler(func(_ paho.Client, n paho.ConnectionNotification) {
		if failed, ok := n.(paho.ConnectionNotificationFailed); ok {
			told.Do(func() { // each further attempt fails in the same way
				log.Warn("the broker cannot be reached; trying again and again", "broker", o.Broker, "error", failed.Reason)
			})
		}
	})
	return opt, nil
}

// noStore keeps no message for later: what a broker did not confirm is sent again by
// the [Publisher], as it then stands. (That of the library, which it sends again itself,
// is written to and read by two goroutines at once.)
type noStore struct{}

func (noStore) Open()                             {}
func (noStore) Put(string, packets.ControlPacket) {}
func (noStore) Get(string) packets.ControlPacket  { return nil }
func (noStore) All() []string                     { return nil }
func (noStore) Del(string)                        {}
func (noStore) Close()                            {}
func (noStore) Reset()                            {}

// Publisher tells a broker of one pier. Publish never waits: of states the newest is
// kept, of frames the last mostFrames, until they can be sent.
type Publisher struct {
	opt  Options
	wake chan struct{}

	mu     sync.Mutex
	state  *web.State
	frames []Frame
	frame  int64 // last one queued
	lost   int   // frames that were dropped
}

// mostFrames waits for a broker that is away: a night of exposures of a minute.
const mostFrames = 600

// NewPublisher starts nothing; [Publisher.Run] does.
func NewPublisher(opt Options) (*Publisher, error) {
	if err := opt.Check(); err != nil {
		return nil, err
	}
	if err := checkName(opt.Pier); err != nil || strings.Contains(opt.Pier, "/") {
		return nil, fmt.Errorf("name of the pier: %w", cmp.Or(err, errors.New("a slash would part it in two")))
	}
	return &Publisher{opt: opt, wake: make(chan struct{}, 1)}, nil
}

// Publish takes the newest state.
func (p *Publisher) Publish(s web.State) {
	p.mu.Lock()
	p.state = &s
	if f := frameFromState(s); f != nil && f.ID != p.frame {
		p.frame = f.ID
		if p.frames = append(p.frames, *f); len(p.frames) > mostFrames {
			p.lost += len(p.frames) - mostFrames
			p.frames = p.frames[len(p.frames)-mostFrames:]
		}
	}
	p.mu.Unlock()
	p.signal()
}

func (p *Publisher) signal() {
	select {
	case p.wake <- struct{}{}:
	default:
	}
}

func (p *Publisher) topic(end string) string { return p.opt.Prefix + "/" + p.opt.Pier + "/" + end }

// Run keeps the connection and sends until ctx ends, then says goodbye. It returns
// nil, however often the connection was lost.
func (p *Publisher) Run(ctx context.Context) error {
	opt, err := p.opt.client("polard-"+p.opt.Pier, func(paho.Client) { p.signal() })
	if err != nil {
		return err
	}
	online := encoded(Status{true, p.opt.Program})
	offline := encoded(Status{false, p.opt.Program})
	opt.SetWill(p.topic(statusTopic), string(offline), 1, true)
	opt.SetCleanSession(true)
	up := make(chan struct{}, 1)
	connected := opt.OnConnect
	opt.SetOnConnectHandler(func(c paho.Client) {
		select {
		case up <- struct{}{}:
		default:
		}
		connected(c)
	})
	c := paho.NewClient(opt)
	c.Connect() // goes on trying in the background
	defer func() {
		if c.IsConnectionOpen() {
			c.Publish(p.topic(statusTopic), 1, true, offline).WaitTimeout(goodbyeWait)
		}
		c.Disconnect(uint(goodbyeWait.Milliseconds() / 4))
	}()
	var sent *web.State // the last state that the broker has
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-up:
			sent = nil // the broker may have lost what it kept
			if !send(ctx, c, p.topic(statusTopic), true, online) {
				continue // the connection is lost again, or is about to be
			}
		case <-p.wake:
		}
		if !c.IsConnectionOpen() {
			continue // comes back by up
		}
		var whole bool
		if sent, whole = p.flush(ctx, c, sent); !whole {
			time.AfterFunc(firstRetry, p.signal)
		}
	}
}

// flush sends what waits, and gives the state that the broker then has and whether
// nothing is left.
func (p *Publisher) flush(ctx context.Context, c paho.Client, sent *web.State) (*web.State, bool) {
	for {
		p.mu.Lock()
		if len(p.frames) == 0 {
			p.mu.Unlock()
			break
		}
		f := p.frames[0]
		lost := p.lost
		p.lost = 0
		p.mu.Unlock()
		if lost > 0 && p.opt.Logger != nil {
			p.opt.Logger.Warn("frames were not sent to the broker, which was away for too long", "frames", lost)
		}
		if !send(ctx, c, p.topic(frameTopic), false, encoded(f)) {
			return sent, false
		}
		p.mu.Lock()
		if len(p.frames) > 0 && p.frames[0].ID == f.ID {
			p.frames = p.frames[1:]
		}
		p.mu.Unlock()
	}
	p.mu.Lock()
	state := p.state
	p.mu.Unlock()
	if state == nil || state == sent {
		return sent, true
	}
	alarms := state.Alarms
	if alarms == nil {
		alarms = []web.Alarm{}
	}
	if !send(ctx, c, p.topic(stateTopic), true, encoded(pierFromState(*state, time.Now().UnixMilli()))) ||
		!send(ctx, c, p.topic(alarmTopic), true, encoded(alarms)) {
		return sent, false
	}
	return state, true
}

// sendWithin is how long a broker may take to confirm.
const sendWithin = 10 * time.Second

// send tells whether the broker has confirmed the message.
func send(ctx context.Context, c paho.Client, topic string, retain bool, body []byte) bool {
	token := c.Publish(topic, 1, retain, body)
	late := time.After(sendWithin)
	look := time.NewTicker(sendWithin / 20)
	defer look.Stop()
	for {
		select {
		case <-token.Done():
			return token.Error() == nil
		case <-look.C:
			if !c.IsConnectionOpen() {
				return false
			}
		case <-late:
			return false
		case <-ctx.Done():
			return false
		}
	}
}
