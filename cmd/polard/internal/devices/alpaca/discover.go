package alpaca

import (
	"context"
	"encoding/json"
	"net"
	"net/netip"
	"strconv"
	"time"
)

// Discovery (API Reference, sections 5.3 to 5.6).
const (
	discoveryPort    = 32227
	discoveryMessage = "alpacadiscovery1"
	// discoveryGroup is that of IPv6.
	discoveryGroup = "ff12::a1:9aca"
	// discoveryTime is how long answers are waited for: devices answer at once, slow Wi-Fi within a second.
	discoveryTime = 2 * time.Second
	// discoveryRepeat: datagrams get lost.
	discoveryRepeat = 700 * time.Millisecond
	maxServers      = 64
)

// discover asks the local network for servers. It gives their HOST:PORT.
func (c *Client) discover(ctx context.Context) ([]string, error) {
	conn, err := net.ListenUDP("udp", nil)
	if err != nil {
		return nil, err
	}
	defer conn.Close()
	ctx, cancel := context.WithTimeout(ctx, discoveryTime)
	defer cancel()
	defer context.AfterFunc(ctx, func() { conn.Close() })()
	go func() {
		for {
			for _, to := range c.broadcasts() {
				// An interface may be down or forbid it; the others are asked.
				_, _ = conn.WriteToUDPAddrPort([]byte(discoveryMessage), to)
			}
			select {
			case <-ctx.Done():
				return
			case <-time.After(discoveryRepeat):
			}
		}
	}()
	seen := make(map[string]bool)
	var out []string
	buffer := make([]byte, 2048)
	for len(out) < maxServers {
		n, from, err := conn.ReadFromUDPAddrPort(buffer)
		if err != nil {
			break // the time is over
		}
		if port, ok := discoveryAnswer(buffer[:n]); ok {
			addr := net.JoinHostPort(from.Addr().Unmap().String(), strconv.Itoa(port))
			if !seen[addr] {
				seen[addr] = true
				out = append(out, addr)
			}
		}
	}
	return out, nil
}

// discoveryAnswer reads the port out of an answer.
func discoveryAnswer(b []byte) (port int, ok bool) {
	var a struct{ AlpacaPort int }
	if json.Unmarshal(plain(b), &a) != nil || a.AlpacaPort < 1 || a.AlpacaPort > 65535 {
		return 0, false
	}
	return a.AlpacaPort, true
}

// broadcasts are where to ask: the broadcast address of each IPv4 network that this machine is on,
// the group of IPv6 on each link, and this machine itself.
func (c *Client) broadcasts() []netip.AddrPort {
	var out []netip.AddrPort
	if c.opt.discoverAt != nil {
		for _, text := range c.opt.discoverAt {
			if a, err := netip.ParseAddrPort(text); err == nil {
				out = append(out, a)
			}
		}
		return out
	}
	out = append(out, netip.AddrPortFrom(netip.AddrFrom4([4]byte{127, 0, 0, 1}), discoveryPort),
		netip.AddrPortFrom(netip.IPv6Loopback(), discoveryPort))
	interfaces, err := net.Interfaces()
	if err != nil {
		return out
	}
	for _, i := range interfaces {
		if i.Flags&net.FlagUp == 0 || i.Flags&net.FlagLoopback != 0 {
			continue
		}
		addrs, err := i.Addrs()
		if err != nil {
			continue
		}
		for _, a := range addrs {
			ip, ok := a.(*net.IPNet)
			if !ok {
				continue
			}
			v4 := ip.IP.To4()
			if v4 == nil || i.Flags&net.FlagBroadcast == 0 || len(ip.Mask) != net.IPv4len {
				continue
			}
			var b [4]byte
			for k := range b {
				b[k] = v4[k] | ^ip.Mask[k]
			}
			out = append(out, netip.AddrPortFrom(netip.AddrFrom4(b), discoveryPort))
		}
		if i.Flags&net.FlagMulticast != 0 {
			out = append(out, netip.AddrPortFrom(netip.MustParseAddr(discoveryGroup).WithZone(i.Name), discoveryPort))
		}
	}
	return out
}
