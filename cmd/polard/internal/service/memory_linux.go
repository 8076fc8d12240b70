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
func memoryInUse() (used, limit int64) {
	if b, err := os.ReadFile("/proc/self/statm"); err == nil {
		if f := strings.Fields(string(b)); len(f) > 2 {
			resident, _ := strconv.ParseInt(f[1], 10, 64)
			shared, _ := strconv.ParseInt(f[2], 10, 64)
			used = (resident - shared) * int64(os.Getpagesize())
		}
	}
	limit = math.MaxInt64
	var s unix.Sysinfo_t
	if unix.Sysinfo(&s) == nil {
		limit = int64(s.Totalram) * int64(s.Unit) //nolint:unconvert // of other widths elsewhere
	}
	for _, file := range memoryLimits() {
		if b, err := os.ReadFile(file); err == nil {
			if n, err := strconv.ParseInt(strings.TrimSpace(string(b)), 10, 64); err == nil && n > 0 {
				limit = min(limit, n)
			}
		}
	}
	var r unix.Rlimit
	if unix.Getrlimit(unix.RLIMIT_DATA, &r) == nil && r.Cur < math.MaxInt64 {
		limit = min(limit, int64(r.Cur))
	}
	return used, limit
}

// memoryLimits are the files that say what the groups of this process may have.
func memoryLimits() (files []string) {
	b, err := os.ReadFile("/proc/self/cgroup")
	if err != nil {
		return nil
	}
	for line := range strings.Lines(string(b)) {
		part := strings.SplitN(strings.TrimSpace(line), ":", 3)
		if len(part) != 3 {
			continue
		}
		root, name := "/sys/fs/cgroup", "memory.max"
		if part[1] != "" {
			if part[1] != "memory" {
				continue
			}
			root, name = "/sys/fs/cgroup/memory", "memory.limit_in_bytes"
		}
		for group := part[2]; ; group = path.Dir(group) {
			files = append(files, path.Join(root, group, name))
			if group == "/" || group == "." {
				break
			}
		}
	}
	return files
}
