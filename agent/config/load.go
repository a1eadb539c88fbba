package config

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// Load reads the configuration file at path, the catalogue that it names and the secrets. What is wrong
// with their content is an *InvalidError that lists all of it; a file that cannot be read is not.
func Load(path string) (*Config, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("configuration: %w", err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxFileBytes+1))
	if err != nil {
		return nil, fmt.Errorf("configuration: %w", err)
	}
	return Parse(path, data)
}

// Parse checks data, the content of a configuration file called name, and makes values in SI of it.
// Relative paths in it (catalogue, certificates, secrets, state_dir) start at the folder of name. The
// error is always an *InvalidError.
func Parse(name string, data []byte) (*Config, error) {
	var file fileConfig
	b := &builder{doc: decode(name, data, &file), dir: filepath.Dir(name)}
	if !b.doc.has("") { // nothing to go on with
		return nil, &InvalidError{b.doc.problems}
	}
	var catalogueProblems []Problem
	b.catalogue, catalogueProblems = b.loadCatalogue(file.Catalogue)
	c := b.config(&file)
	sortProblems(b.doc.problems)
	if problems := append(b.doc.problems, catalogueProblems...); len(problems) > 0 {
		return nil, &InvalidError{problems}
	}
	return c, nil
}

// resolve makes a path of the file independent of the working directory's relation to it.
func (b *builder) resolve(path string) string {
	if filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(b.dir, path)
}

// readFile reads a regular file of at most limit bytes. Others, such as a pipe, could block for ever.
func readFile(path string, limit int64) ([]byte, error) {
	if err := checkFile(path); err != nil {
		return nil, err
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, limit+1))
	if err == nil && int64(len(data)) > limit {
		err = fmt.Errorf("%s has more than the allowed %d bytes", path, limit)
	}
	return data, err
}

// checkFile wants a regular file at path.
func checkFile(path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	if !info.Mode().IsRegular() {
		return &os.PathError{Op: "open", Path: path, Err: errors.New("is not a regular file")}
	}
	return nil
}
