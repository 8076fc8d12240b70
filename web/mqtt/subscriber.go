package mqtt

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/url"
	"os"
	"strings"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// Listener hears what the piers below a prefix tell. Calls come one at a time.
type Listener interface {
	HeardStatus(pier string, s Status)
	HeardState(pier string, p Pier)
	// LogUnreadable is called with a message that cannot be read.
	LogUnreadable(topic string, err error)
	// Connected tells that the broker is heard, and again when it is not.
	Connected(yes bool)
}

// mostMessage bounds what is read of a message, in bytes: a pier tells of itself, with
// the nights of a month and a dozen alarms, in some 20,000. Longer ones, which any client of
// the broker may send, are passed over as they come in.
const mostMessage = 64 << 10

// Listen hears until ctx ends, and comes back after every loss.
func Listen(ctx context.Context, opt Options, to Listener) error {
	if err := opt.Check(); err != nil {
		return err
	}
	heard := func(_ paho.Client, m paho.Message) {
		pier, end, ok := split(opt.Prefix, m.Topic())
		if !ok || len(m.Payload()) == 0 { // an empty message takes a retained one away
			return
		}
		err := checkName(pier)
		if err != nil {
			to.LogUnreadable(m.Topic(), err)
			return
		}
		switch end {
		case statusTopic:
			var s Status
			if err = json.Unmarshal(m.Payload(), &s); err == nil {
				to.HeardStatus(pier, s)
			}
		case stateTopic:
			p := Pier{}
			if err = json.Unmarshal(m.Payload(), &p); err == nil {
				to.HeardState(pier, p)
			}
		}
		if err != nil {
			to.LogUnreadable(m.Topic(), err)
		}
	}
	host, _ := os.Hostname()
	copt, err := opt.client(fmt.Sprintf("polard-overview-%s-%d", host, os.Getpid()), func(c paho.Client) {
		c.SubscribeMultiple(map[string]byte{
			opt.Prefix + "/+/" + statusTopic: 1, opt.Prefix + "/+/" + stateTopic: 1,
		}, heard)
		to.Connected(true)
	})
	if err != nil {
		return err
	}
	copt.SetCustomOpenConnectionFn(func(broker *url.URL, o paho.ClientOptions) (net.Conn, error) {
		conn, err := dial(broker, o)
		if err != nil {
			return nil, err
		}
		return &boundedConn{Conn: conn, in: bufio.NewReader(conn), tooLong: func(topic string, size int) {
			to.LogUnreadable(topic, fmt.Errorf("it has %d bytes; at most %d are read", size, mostMessage))
		}}, nil
	})
	lost := copt.OnConnectionLost
	copt.SetConnectionLostHandler(func(c paho.Client, err error) {
		lost(c, err)
		to.Connected(false)
	})
	c := paho.NewClient(copt)
	c.Connect()
	<-ctx.Done()
	c.Disconnect(uint(goodbyeWait.Milliseconds() / 4))
	return nil
}

// split takes a topic apart into the pier's name and the subject.
func split(prefix, topic string) (pier, end string, ok bool) {
	rest, ok := strings.CutPrefix(topic, prefix+"/")
	if !ok {
		return "", "", false
	}
	i := strings.LastIndexByte(rest, '/')
	if i <= 0 {
		return "", "", false
	}
	return rest[:i], rest[i+1:], true
}
