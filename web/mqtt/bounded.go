package mqtt

import (
	"bufio"
	"crypto/tls"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"net/url"

	paho "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/net/proxy"
)

// dial connects to a broker as the library does, by a proxy if the environment names one.
func dial(broker *url.URL, o paho.ClientOptions) (net.Conn, error) {
	secure := broker.Scheme == "ssl" || broker.Scheme == "wss"
	if broker.Scheme == "ws" || broker.Scheme == "wss" {
		address := *broker
		address.User = nil
		var c *tls.Config
		if secure {
			c = o.TLSConfig
		}
		return paho.NewWebsocket(address.String(), c, o.ConnectTimeout, o.HTTPHeaders, o.WebsocketOptions)
	}
	conn, err := proxy.FromEnvironmentUsing(&net.Dialer{Timeout: o.ConnectTimeout}).Dial("tcp", broker.Host)
	if err != nil || !secure {
		return conn, err
	}
	c := o.TLSConfig.Clone()
	if c.ServerName == "" {
		c.ServerName = broker.Hostname()
	}
	encrypted := tls.Client(conn, c)
	if err := encrypted.Handshake(); err != nil {
		conn.Close()
		return nil, err
	}
	return encrypted, nil
}

// boundedConn passes on what a broker sends, but of messages beyond mostMessage only who
// they are of, without what they say: the library would hold them whole, and the broker
// would send what is not confirmed again and again.
type boundedConn struct {
	net.Conn
	in      *bufio.Reader
	tooLong func(topic string, size int)
	head    []byte // of a packet, to be passed on first
	left    int    // bytes of the packet behind it
}

var errPacket = errors.New("the broker sends what is no MQTT")

// messagePacket is the type of packet that holds a message, PUBLISH (MQTT 3.1.1, section 2.2.1).
const messagePacket = 3

// Read gives the next bytes.
func (c *boundedConn) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	if len(c.head) == 0 && c.left == 0 {
		if err := c.next(); err != nil {
			return 0, err
		}
	}
	if len(c.head) > 0 {
		n := copy(p, c.head)
		c.head = c.head[n:]
		return n, nil
	}
	n, err := c.in.Read(p[:min(len(p), c.left)])
	c.left -= n
	return n, err
}

// next reads the fixed header of a packet (section 2.2).
func (c *boundedConn) next() error {
	first, err := c.in.ReadByte()
	if err != nil {
		return err
	}
	length, shift := 0, 0
	c.head = append(c.head[:0:0], first)
	for more := true; more; shift += 7 {
		b, err := c.in.ReadByte()
		if err != nil {
			return unexpected(err)
		}
		if shift > 21 { // at most four bytes (section 2.2.3)
			return errPacket
		}
		c.head = append(c.head, b)
		length |= int(b&0x7f) << shift
		more = b&0x80 != 0
	}
	if length <= mostMessage {
		c.left = length
		return nil
	}
	if first>>4 != messagePacket {
		return errPacket
	}
	return c.shorten(first, length)
}

// shorten takes in a message that is too long, and passes on one of the same topic and
// number that says nothing (section 3.3).
func (c *boundedConn) shorten(first byte, length int) error {
	var size [2]byte
	if _, err := io.ReadFull(c.in, size[:]); err != nil {
		return unexpected(err)
	}
	rest := int(binary.BigEndian.Uint16(size[:]))
	topic := rest
	if first&0b0110 != 0 { // quality of service 1 or 2: a number follows
		rest += 2
	}
	if 2+rest > length {
		return errPacket
	}
	body := make([]byte, rest)
	if _, err := io.ReadFull(c.in, body); err != nil {
		return unexpected(err)
	}
	if _, err := io.CopyN(io.Discard, c.in, int64(length-2-rest)); err != nil {
		return unexpected(err)
	}
	c.tooLong(string(body[:topic]), length)
	c.head = append(binary.AppendUvarint([]byte{first}, uint64(2+rest)), size[:]...) // the same coding of lengths
	c.head = append(c.head, body...)
	return nil
}

func unexpected(err error) error {
	if errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	return err
}
