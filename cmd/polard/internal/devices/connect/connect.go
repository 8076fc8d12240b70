// Package connect finds the server of devices that the user named, over whichever protocol.
//
// What comes in: an address, or the wish to look on the local network. What goes out: a [devices.Server], and the
// camera and mount that were chosen from what it offers. Devices are reached only where the user
// said so; addresses go into no message and no log.
package connect

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"strconv"
	"strings"

	"polard/cmd/polard/internal/devices"
	"polard/cmd/polard/internal/devices/alpaca"
	"polard/cmd/polard/internal/devices/indi"
)

// Where says where the devices are.
type Where struct {
	INDI     string // HOST[:PORT] of an INDI server
	Alpaca   string // HOST[:PORT] of an Alpaca server
	Discover bool   // any Alpaca server on the local network; INDI has no discovery
}

// Given tells whether anything was said.
func (w Where) Given() bool { return w != Where{} }

// Protocol is the name of the one in use.
func (w Where) Protocol() string {
	if w.INDI != "" {
		return "indi"
	}
	return "alpaca"
}

// ErrWhere says what can be said.
var ErrWhere = errors.New("say where the devices are: --indi HOST[:PORT], --alpaca HOST[:PORT] or --discover")

type indiServer struct{ *indi.Client }

func (s indiServer) Camera(name string) devices.Camera { return s.Client.Camera(name) }
func (s indiServer) Mount(name string) devices.Mount   { return s.Client.Mount(name) }

// Server prepares the connection to the server; its Run makes it.
func (w Where) Server(log *slog.Logger) (devices.Server, error) {
	switch {
	case w.INDI != "" && (w.Alpaca != "" || w.Discover):
		return nil, errors.New("camera and mount are reached by one protocol: --indi, or --alpaca and --discover")
	case w.INDI != "":
		addr, err := withPort(w.INDI, indi.DefaultPort)
		if err != nil {
			return nil, err
		}
		return indiServer{indi.New(indi.Options{Addr: addr, Log: log})}, nil
	case w.Alpaca != "":
		addr, err := withPort(w.Alpaca, alpaca.DefaultPort)
		if err != nil {
			return nil, err
		}
		return alpaca.New(alpaca.Options{Addrs: []string{addr}, Discover: w.Discover, Log: log}), nil
	case w.Discover:
		return alpaca.New(alpaca.Options{Discover: true, Log: log}), nil
	}
	return nil, ErrWhere
}

func withPort(addr, port string) (string, error) {
	host, given, err := net.SplitHostPort(addr)
	if err != nil {
		host, given = addr, port
		if strings.HasPrefix(addr, "[") && strings.HasSuffix(addr, "]") {
			host = addr[1 : len(addr)-1]
		}
	}
	_, err = strconv.ParseUint(given, 10, 16)
	if strings.Contains(host, ":") && err == nil { // of names and addresses only those of IPv6 have colons
		_, err = netip.ParseAddr(host)
	}
	if err != nil || host == "" || strings.ContainsAny(host, "/@ []") {
		return "", fmt.Errorf("%q is no address: give HOST or HOST:PORT, such as 192.168.1.20:%s", addr, port)
	}
	return net.JoinHostPort(host, given), nil
}

// Choice is the camera and the mount that the user chose by name; "" leaves it to there being one.
type Choice struct{ Camera, Mount string }

// Choose completes a choice by what there is. It fails, with a list, where the user has to choose.
func Choose(found []devices.Found, c Choice) (Choice, error) {
	pick := func(kind devices.Kind, name string) (string, error) {
		var names []string
		for _, f := range found {
			if f.Kind == kind {
				names = append(names, f.Name)
			}
		}
		switch {
		case name != "":
			for _, n := range names {
				if n == name {
					return n, nil
				}
			}
			return "", fmt.Errorf("there is no %s called %q; there is: %s", kind, name, list(names))
		case len(names) == 1:
			return names[0], nil
		case len(names) == 0:
			return "", fmt.Errorf("%w: the server offers no %s", devices.ErrMissing, kind)
		}
		return "", fmt.Errorf("there are several to choose from: name one with --%s, of: %s", kind, list(names))
	}
	camera, err := pick(devices.KindCamera, c.Camera)
	mount, mountErr := pick(devices.KindMount, c.Mount)
	if err := errors.Join(err, mountErr); err != nil {
		return Choice{}, err
	}
	return Choice{camera, mount}, nil
}

func list(names []string) string {
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, ", ")
}
