package pairing

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"time"
)

// Client speaks to a service that runs on this machine.
type Client struct {
	Scheme, Port string
	client       *http.Client
	url          string
	key          string // of the machine; empty where there is none to show
}

// NewClient speaks to the service that serves its page at an address, with a certificate or nil, and shows it the key of
// this machine (see [LocalKey]), if any.
func NewClient(addr string, cert *tls.Certificate, key string) (*Client, error) {
	host, port, err := net.SplitHostPort(addr)
	if err != nil || port == "0" || port == "" {
		return nil, fmt.Errorf("--addr %q: give the HOST:PORT at which the service runs", addr)
	}
	if a, err := netip.ParseAddr(host); host == "" || err == nil && a.IsUnspecified() {
		host = "127.0.0.1"
	}
	c := &Client{Scheme: "http", Port: port, client: &http.Client{Timeout: 5 * time.Second}, key: key}
	if cert != nil {
		c.Scheme = "https"
		// The certificate names the machine as others call it; here it must be
		// that very certificate.
		c.client.Transport = &http.Transport{TLSClientConfig: &tls.Config{
			InsecureSkipVerify: true, //nolint:gosec // VerifyPeerCertificate does it
			VerifyPeerCertificate: func(raw [][]byte, _ [][]*x509.Certificate) error {
				if len(raw) == 0 || !bytes.Equal(raw[0], cert.Certificate[0]) {
					return errors.New("the service shows another certificate than --tls-cert names")
				}
				return nil
			},
		}}
	}
	c.url = c.Scheme + "://" + net.JoinHostPort(host, port) + "/api/v1/"
	return c, nil
}

// Ask sends a request to the service and reads its answer.
func (c *Client) Ask(ctx context.Context, method, path string, body, answer any) error {
	var b []byte
	if body != nil {
		var err error
		if b, err = json.Marshal(body); err != nil {
			return err
		}
	}
	req, err := http.NewRequestWithContext(ctx, method, c.url+path, bytes.NewReader(b))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", "application/json")
	if c.key != "" {
		req.Header.Set("Authorization", "Bearer "+c.key)
	}
	resp, err := c.client.Do(req)
	if err != nil {
		return fmt.Errorf("no service answers at %s (%w): start it, or give the --addr and --tls-cert that it was started with", c.url, err)
	}
	defer resp.Body.Close()
	const most = 1 << 20 // a list of devices has some kilobytes
	b, err = io.ReadAll(io.LimitReader(resp.Body, most))
	if err != nil {
		return err
	}
	if resp.StatusCode >= http.StatusBadRequest {
		var problem struct {
			Detail string `json:"detail"`
		}
		if json.Unmarshal(b, &problem) != nil || problem.Detail == "" {
			problem.Detail = resp.Status
		}
		return fmt.Errorf("the service refuses: %s", problem.Detail)
	}
	if answer == nil {
		return nil
	}
	return json.Unmarshal(b, answer)
}
