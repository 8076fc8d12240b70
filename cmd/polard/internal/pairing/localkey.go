package pairing

import (
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// localKeyName is a file in the folder of the program's state.
const localKeyName = "local.key"

// LocalKey gives the machine's key, which is made where there is none. Who can read it
// may operate.
func LocalKey(folder string) (string, error) {
	if key := ReadLocalKey(folder); key != "" {
		return key, nil
	}
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return "", err
	}
	b := make([]byte, 32)
	_, _ = rand.Read(b) // never fails
	path := filepath.Join(folder, localKeyName)
	err := replaceFile(path, []byte(base64.RawURLEncoding.EncodeToString(b)+"\n"), os.Link)
	switch {
	case errors.Is(err, fs.ErrExist): // another service was faster
	case err != nil: // a file system without links
		err = replaceFile(path, []byte(base64.RawURLEncoding.EncodeToString(b)+"\n"), os.Rename)
	}
	if key := ReadLocalKey(folder); key != "" {
		return key, nil
	}
	return "", fmt.Errorf("the key of this machine cannot be kept: %w", err)
}

// ReadLocalKey gives the key, or nothing where there is none to be read.
func ReadLocalKey(folder string) string {
	b, err := os.ReadFile(filepath.Join(folder, localKeyName))
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}
