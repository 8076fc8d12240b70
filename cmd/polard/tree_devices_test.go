package main

import "maps"

// What the packages about devices may import of ours; the rest of the table stands in tree_test.go.
func init() {
	const devices = "cmd/polard/internal/devices"
	maps.Copy(allowedImports, map[string][]string{
		devices:                  {"mountmodel/sky"},
		devices + "/indi":        {devices, "mountmodel/sky"},
		devices + "/devicestest": {},
		devices + "/measure":     {devices, "mountmodel/observed", "mountmodel/setup", "mountmodel/sky"},
		devices + "/gsc":         {"catalogs", "mountmodel/sky"},
	})
}
