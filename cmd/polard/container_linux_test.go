package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// containerUser is a plain user of this machine, with a range of subordinate numbers.
const containerUser = "polard-test"

// otherNetwork makes a network namespace beside this one and gives a way to dial from it,
// and the address at which it reaches this machine.
func otherNetwork(t *testing.T) (dial func(port string) (net.Conn, error), host string) {
	t.Helper()
	name := fmt.Sprintf("polard%d", os.Getpid())
	host = "10.213.7.1"
	for _, call := range [][]string{
		{"netns", "add", name}, {"link", "add", "pl0", "type", "veth", "peer", "name", "pl1"}, {"link", "set", "pl1", "netns", name},
		{"addr", "add", host + "/30", "dev", "pl0"}, {"link", "set", "pl0", "up"},
		{"-n", name, "addr", "add", "10.213.7.2/30", "dev", "pl1"}, {"-n", name, "link", "set", "pl1", "up"},
	} {
		if out, err := exec.Command("ip", call...).CombinedOutput(); err != nil {
			t.Skipf("no other network can be made here: ip %v: %s", call, out)
		}
		if call[1] == "add" {
			t.Cleanup(func() { _ = exec.Command("ip", call[0], "del", call[2]).Run() })
		}
	}
	return func(port string) (conn net.Conn, err error) {
		done := make(chan struct{})
		go func() { // its thread is of no more use afterwards, and ends with it
			defer close(done)
			runtime.LockOSThread()
			var ns *os.File
			if ns, err = os.Open("/run/netns/" + name); err == nil {
				defer ns.Close()
				if err = unix.Setns(int(ns.Fd()), unix.CLONE_NEWNET); err == nil {
					conn, err = net.DialTimeout("tcp", net.JoinHostPort(host, port), 5*time.Second)
				}
			}
		}()
		<-done
		return conn, err
	}, host
}

// podman runs Debian's podman as a plain user, with control groups as Debian mounts them.
type podman struct{ runtime string }

func (p podman) run(args ...string) (string, error) {
	// A plain user's podman wants a folder of its own for what runs, and a terminal's session.
	script := "set -e; [ -e /sys/fs/cgroup/cgroup.procs ] || { umount -l /sys/fs/cgroup; mount -t cgroup2 none /sys/fs/cgroup; }; " +
		`cd "$1"; user=$2; shift 2; exec setpriv --reuid="$user" --regid="$user" --init-groups -- "$@"`
	call := append([]string{"--mount", "sh", "-c", script, "sh", p.runtime, containerUser,
		"podman", "--storage-driver", "vfs", "--cgroup-manager", "cgroupfs", "--events-backend", "file", "--root", filepath.Join(p.runtime, "root"),
		"--runroot", filepath.Join(p.runtime, "runroot")}, args...)
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	c := exec.CommandContext(ctx, "unshare", call...)
	c.Env = []string{"PATH=" + os.Getenv("PATH"), "HOME=" + p.runtime, "XDG_RUNTIME_DIR=" + p.runtime}
	var out, errors bytes.Buffer
	c.Stdout, c.Stderr = &out, &errors
	if err := c.Run(); err != nil {
		return out.String(), fmt.Errorf("podman %v: %w: %s", args, err, errors.String())
	}
	return out.String(), nil
}

// The image as it is shipped, in a container of a plain user whose port is published: to a
// client in another network, who reaches it through the forwarder, nothing is shown or done
// that was not paired, nor to one on the machine itself; the link that the manual's command
// shows pairs it. The same without the image's word that somebody forwards: the forwarder's
// address, the service's own, is not taken for the machine's.
func TestContainer(t *testing.T) {
	t.Parallel() // it waits most of its time
	if testing.Short() {
		t.Skip("builds an image")
	}
	if _, err := exec.LookPath("podman"); err != nil || os.Getuid() != 0 {
		t.Skip("needs podman, and to be root to become a plain user")
	}
	if _, err := user.Lookup(containerUser); err != nil {
		t.Skip("there is no user " + containerUser + ": 'useradd " + containerUser + "' makes one with subordinate numbers")
	}
	dial, host := otherNetwork(t)
	folder, err := os.MkdirTemp("", "polard-container-") // t.TempDir is of root alone
	if err != nil {
		t.Fatal(err)
	}
	p := podman{folder}
	context := filepath.Join(folder, "context")
	t.Cleanup(func() {
		_, _ = p.run("unshare", "rm", "-rf", filepath.Join(folder, "root"))
		_, _ = p.run("system", "migrate") // ends the process that holds the user's namespace
		os.RemoveAll(folder)
	})
	program := filepath.Join(context, "dist", "release", "polard-linux-"+runtime.GOARCH)
	build := exec.Command("go", "build", "-o", program, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	for _, call := range [][]string{
		{"mkdir", filepath.Join(folder, "frames")}, {"cp", "packaging/Containerfile", context}, {"chown", "-R", containerUser, folder},
	} {
		if out, err := exec.Command(call[0], call[1:]...).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", call, out)
		}
	}
	if _, err := p.run("build", "--build-arg", "TARGETARCH="+runtime.GOARCH, "-f", filepath.Join(context, "Containerfile"), "-t", "polard", context); err != nil {
		t.Skipf("podman cannot build here: %v", err)
	}
	for name, extra := range map[string][]string{"shipped": nil, "without its word": {"-e", "POLARD_FORWARDED=false", "--unsetenv", "container"}} {
		t.Run(name, func(t *testing.T) {
			port := freePort(t)
			run := append([]string{"run", "-d", "--name", "polard", "-p", port + ":8467", "-v", filepath.Join(folder, "frames") + ":/frames:ro"}, extra...)
			if _, err := p.run(append(run, "polard", "--lat", "46.32", "--lon", "13.07")...); err != nil {
				t.Skipf("podman runs no container here: %v", err)
			}
			defer p.run("rm", "-f", "-t", "0", "polard")
			ask := func(near bool, method, path, body, cookie string) (*http.Response, string) {
				t.Helper()
				for end := time.Now().Add(30 * time.Second); ; time.Sleep(50 * time.Millisecond) {
					conn, err := dial(port)
					if near {
						conn, err = net.Dial("tcp", "127.0.0.1:"+port)
					}
					if err == nil {
						r, _ := http.NewRequest(method, "http://"+net.JoinHostPort(host, port)+path, strings.NewReader(body))
						r.Header = http.Header{"Content-Type": {"application/json"}, "Cookie": {cookie}}
						_ = r.Write(conn)
						var answer *http.Response
						if answer, err = http.ReadResponse(bufio.NewReader(conn), r); err == nil {
							text, _ := io.ReadAll(answer.Body)
							conn.Close()
							return answer, string(text)
						}
						conn.Close()
					}
					if time.Now().After(end) {
						t.Fatal(err)
					}
				}
			}
			for _, near := range []bool{false, true} {
				for _, q := range []struct {
					method, path, body string
					want               int
				}{
					{"GET", "/api/v1/state", "", 401}, {"POST", "/api/v1/event", `{"event":"locked"}`, 401},
					{"POST", "/api/v1/invite", `{"right":"operate"}`, 403}, {"GET", "/api/v1/devices", "", 403}, {"GET", "/healthz", "", 200},
				} {
					if answer, text := ask(near, q.method, q.path, q.body, ""); answer.StatusCode != q.want {
						t.Errorf("near %t, nothing paired: %s %s is %d, want %d: %s", near, q.method, q.path, answer.StatusCode, q.want, text)
					}
				}
			}
			shown, err := p.run("exec", "polard", "/polard", "serve", "--pair")
			code := regexp.MustCompile(`/pair#([0-9a-z]{10})`).FindStringSubmatch(shown)
			if err != nil || code == nil {
				t.Fatalf("no link: %v %s", err, shown)
			}
			answer, text := ask(false, "POST", "/api/v1/pair", fmt.Sprintf(`{"code":%q}`, code[1]), "")
			if answer.StatusCode != 204 || len(answer.Cookies()) != 1 {
				t.Fatalf("pairing: %d %s", answer.StatusCode, text)
			}
			cookie := answer.Cookies()[0]
			if answer, text := ask(false, "GET", "/api/v1/state", "", cookie.Name+"="+cookie.Value); answer.StatusCode != 200 {
				t.Errorf("once paired: %d %s", answer.StatusCode, text)
			}
		})
	}
}
