package main

import "maps"

// What the packages about devices may import of ours; the rest of the table stands in tree_test.go.
func init() {
	const devices = "cmd/polard/internal/devices"
	maps.Copy(allowedImports, map[string][]string{
		devices:                  {"mountmodel/sky"},
		devices + "/alpaca":      {devices, "fits", "mountmodel/sky"},
		devices + "/indi":        {devices, "mountmodel/sky"},
		devices + "/measure":     {devices, "mountmodel/observed", "mountmodel/setup", "mountmodel/sky"},
		devices + "/frames":      {devices + "/measure", "cmd/polard/internal/pipeline", "mountmodel/observed", "mountmodel/sky"},
		devices + "/connect":     {devices, devices + "/alpaca", devices + "/indi"},
		devices + "/devicestest": {"catalogs", "fits", "mountmodel/observed", "mountmodel/rehearsal", "mountmodel/sky"},
		devices + "/gsc":         {"catalogs", "mountmodel/sky"},
		devices + "/operate":     {devices, devices + "/connect", devices + "/frames", devices + "/measure", "cmd/polard/internal/pipeline", "mountmodel", "mountmodel/observed", "mountmodel/sky", "web"},
	})
	allowedImports["cmd/polard/internal/service"] = append(allowedImports["cmd/polard/internal/service"], devices+"/operate")
	allowedImports["cmd/polard"] = append(allowedImports["cmd/polard"], devices, devices+"/connect", devices+"/frames", devices+"/measure", devices+"/operate")
}
