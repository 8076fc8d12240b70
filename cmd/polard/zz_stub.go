package main

import "github.com/spf13/cobra"

type stateFlags struct{ folder string }

func (f *stateFlags) addFolder(c *cobra.Command) { c.Flags().StringVar(&f.folder, "state", "", "x `FOLDER`") }
func (f *stateFlags) path() (string, error)      { return f.folder + "/logbook.sqlite", nil }
