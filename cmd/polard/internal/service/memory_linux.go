package service

import (
	"math"
	"os"
	"path"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// memoryInUse is the memory that this process has of its own, and what it may have: proc(5), cgroups(7).
func memoryInUse() (m memory) {
	if b, err := os.ReadFile("/proc/self/statm"); err == nil {
		if f := strings.Fields(string(b)); len(f) > 2 {
			resident, _ := strconv.ParseInt(f[1], 10, 64)
			shared, _ := strconv.ParseInt(f[2], 10, 64)
			m.used = (resident - shared) * int64(os.Getpagesize())
		}
	}
	m.limit = math.MaxInt64
	var s unix.Sysinfo_t
	if unix.Sysinfo(&s) == nil {
		m.limit = int64(s.Totalram) * int64(s.Unit) //nolint:unconvert // of other widths elsewhere
	}
	for _, group := range memoryGroups() {
		if b, err := os.ReadFile(group.limit); err == nil {
			if n, err := strconv.ParseInt(strings.TrimSpace(string(b)), 10, 64); err == nil && n > 0 {
				m.limit = min(m.limit, n)
			}
		}
		// The outermost counts for those in it, and outlives a restart.
		if n, ok := counted(group.events, "oom_kill"); ok {
			m.kills = n
		}
	}
	if n, ok := counted("/proc/vmstat", "oom_kill"); ok { // of the whole machine; it may be hidden
		m.kills = n
	}
	var r unix.Rlimit
	if unix.Getrlimit(unix.RLIMIT_DATA, &r) == nil && r.Cur < math.MaxInt64 {
		m.limit = min(m.limit, int64(r.Cur))
	}
	return m
}

// counted is a number that stands behind its name on a line of a file.
func counted(file, name string) (n int64, ok bool) {
	b, err := os.ReadFile(file)
	if err != nil {
		return 0, false
	}
	for line := range strings.Lines(string(b)) {
		if f := strings.Fields(line); len(f) == 2 && f[0] == name {
			n, err = strconv.ParseInt(f[1], 10, 64)
			return n, err == nil
		}
	}
	return 0, false
}

// memoryGroup is a control group of this process: the files that say what it may have, and what happened in it.
type memoryGroup struct{ limit, events string }

// memoryGroups are those of this process, up to the root.
func memoryGroups() (groups []memoryGroup) {
	b, err := os.ReadFile("/proc/self/cgroup")
	if err != nil {
		return nil
	}
	for line := range strings.Lines(string(b)) {
		part := strings.SplitN(strings.TrimSpace(line), ":", 3)
		if len(part) != 3 {
			continue
		}
		root, limit, events := "/sys/fs/cgroup", "memory.max", "memory.events"
		if part[1] != "" {
			if part[1] != "memory" {
				continue
			}
			root, limit, events = "/sys/fs/cgroup/memory", "memory.limit_in_bytes", "memory.oom_control"
		}
		for group := part[2]; ; group = path.Dir(group) {
			groups = append(groups, memoryGroup{path.Join(root, group, limit), path.Join(root, group, events)})
			if group == "/" || group == "." {
				break
			}
		}
	}
	return groups
}
