package pipeline

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"sync"

	"polard/catalogs/deep"
)

// AddedFile is the name of the catalogue that a user has added.
const AddedFile = "added.stars"

// DataFolder is where the user's data lie: XDG Base Directory Specification 0.8, on Windows the local
// application data.
func DataFolder() (string, error) { return dataFolder(runtime.GOOS, os.Getenv, os.UserHomeDir) }

func dataFolder(system string, env func(string) string, home func() (string, error)) (string, error) {
	if system == "windows" {
		if data := env("LOCALAPPDATA"); data != "" {
			return filepath.Join(data, "polard"), nil
		}
	}
	if data := env("XDG_DATA_HOME"); filepath.IsAbs(data) {
		return filepath.Join(data, "polard"), nil
	}
	at, err := home()
	if err != nil {
		return "", fmt.Errorf("there is no home folder for an added catalogue (%w): name a folder with --folder", err)
	}
	return filepath.Join(at, ".local", "share", "polard"), nil
}

// AddedPaths are the places where an added catalogue may lie, the user's own first, then those for all users of the
// machine (XDG_DATA_DIRS).
func AddedPaths() []string { return addedPaths(runtime.GOOS, os.Getenv, os.UserHomeDir) }

func addedPaths(system string, env func(string) string, home func() (string, error)) []string {
	var paths []string
	if folder, err := dataFolder(system, env, home); err == nil {
		paths = append(paths, filepath.Join(folder, AddedFile))
	}
	if system == "windows" {
		return paths
	}
	dirs := env("XDG_DATA_DIRS")
	if dirs == "" {
		dirs = "/usr/local/share:/usr/share"
	}
	for _, dir := range filepath.SplitList(dirs) {
		if filepath.IsAbs(dir) {
			paths = append(paths, filepath.Join(dir, "polard", AddedFile))
		}
	}
	return paths
}

// Added opens the first added catalogue that is there; nil without an error when there is none. It stays open
// as long as the program runs.
var Added = sync.OnceValues(func() (*deep.Catalogue, error) {
	for _, path := range AddedPaths() {
		c, err := deep.Open(path)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		return c, err
	}
	return nil, nil
})
