package main

import (
	"context"
	"encoding/json"
	"math"
	"slices"
	"testing"

	"polard/cmd/polard/internal/harness"
)

// call runs a command to its end.
func call(t *testing.T, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	var out, err harness.Output
	status = execute(t.Context(), args, &out, &err)
	return status, out.String(), err.String()
}

// running is a service that was started by a command.
type running struct{ *harness.Running }

// start runs a command that serves the page, on a free port unless it says another.
func start(t *testing.T, args ...string) *running {
	t.Helper()
	return &running{harness.StartWith(t, func(ctx context.Context, r *harness.Running) int {
		return execute(ctx, slices.Insert(slices.Clone(args), 1, "--addr", "127.0.0.1:0"), &r.Stdout, &r.Stderr)
	})}
}

// axisOf runs polard axis --json and reads what it prints.
func axisOf(t *testing.T, args ...string) axisJSON {
	t.Helper()
	status, stdout, stderr := call(t, append([]string{"axis", "--json"}, args...)...)
	if status != exitDone {
		t.Fatalf("polard axis: status %d: %s%s", status, stdout, stderr)
	}
	var a axisJSON
	if err := json.Unmarshal([]byte(stdout), &a); err != nil {
		t.Fatalf("%v: %s", err, stdout)
	}
	return a
}

// Differences of directions in arcseconds: of altitude, and of azimuth as seen
// on the sky and around the horizon.
func differ(got directionJSON, altDeg, azDeg float64) (alt, sky, az float64) {
	alt = (got.AltDeg - altDeg) * 3600
	az = (math.Mod(got.AzDeg-azDeg+540, 360) - 180) * 3600
	return alt, az * math.Cos(altDeg*math.Pi/180), az
}
