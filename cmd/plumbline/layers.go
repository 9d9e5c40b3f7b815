package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"slices"
	"strconv"
	"strings"

	"github.com/BurntSushi/toml"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plumbline/stream/jsonfile"
)

// Where the value of a flag comes from. Each goes before those above it.
const (
	fromDefault     = "default"
	fromFile        = "file" // of the daemon's commands only
	fromEnvironment = "environment"
	fromFlag        = "flag"
)

// Annotations of commands and flags, which say how their layers are laid.
const (
	readsFile    = "plumbline: reads the configuration file"
	notFromFile  = "plumbline: not from the file"
	isSecret     = "plumbline: is not shown"
	origin       = "plumbline: from"
	mostFileSize = 64 << 10 // bytes
)

// ofSource are the flags that say what is measured, each with the source that it is of.
// Who names a source in one layer means that one: what the layers beneath say of others
// is left aside.
var ofSource = map[string]string{
	"device": "device", "output": "device", "loopback": "device",
	"file": "file", "loop": "file",
	"rig": "rig",
}

// fromLayers gives each flag that was not given on the command line the value of the
// environment, PLUMBLINE_NAME, or else, for the daemon's commands, of the configuration
// file.
func fromLayers(cmd *cobra.Command, _ []string) error {
	warnOfUnknown(cmd.ErrOrStderr(), cmd.Root())
	var file configFile
	if _, reads := cmd.Annotations[readsFile]; reads {
		var err error
		if file, err = readConfig(cmd.Root()); err != nil {
			return err
		}
	}
	return lay(cmd, file)
}

// lay puts the layers over the defaults of a command, the highest first: what is set
// stays.
func lay(cmd *cobra.Command, file configFile) error {
	flags := settable(cmd)
	for _, layer := range []struct {
		from  string
		value func(*pflag.Flag) (string, bool, error)
		wrap  func(*pflag.Flag, error) error
	}{
		{fromEnvironment, environment, func(f *pflag.Flag, err error) error {
			return usagef("environment variable %s: %w", variable(f), flagError(err))
		}},
		{fromFile, file.value, func(_ *pflag.Flag, err error) error { return fmt.Errorf("%s: %s", file.path, flagError(err)) }},
	} {
		named := namedSource(flags)
		for _, f := range flags {
			if of := ofSource[f.Name]; f.Changed || named != "" && of != "" && of != named {
				continue
			}
			value, set, err := layer.value(f)
			if err != nil {
				return err
			}
			if !set {
				continue
			}
			if err := cmd.Flags().Set(f.Name, value); err != nil {
				return layer.wrap(f, err)
			}
			annotate(f, origin, layer.from)
		}
	}
	return nil
}

// settable are the flags of a command that a layer may set.
func settable(cmd *cobra.Command) (flags []*pflag.Flag) {
	cmd.LocalFlags().VisitAll(func(f *pflag.Flag) {
		if f.Name != "help" && f.Name != "version" {
			flags = append(flags, f)
		}
	})
	return flags
}

// namedSource is the source that has been named so far; empty: none.
func namedSource(flags []*pflag.Flag) string {
	for _, f := range flags {
		if f.Changed && ofSource[f.Name] == f.Name {
			return f.Name
		}
	}
	return ""
}

func annotate(f *pflag.Flag, key string, values ...string) {
	if f.Annotations == nil {
		f.Annotations = map[string][]string{}
	}
	f.Annotations[key] = values
}

func annotated(f *pflag.Flag, key string) bool {
	_, is := f.Annotations[key]
	return is
}

// from says which layer a flag has its value from.
func from(f *pflag.Flag) string {
	if layer := f.Annotations[origin]; layer != nil {
		return layer[0]
	}
	if f.Changed {
		return fromFlag
	}
	return fromDefault
}

// variable is the name of a flag in the environment.
func variable(f *pflag.Flag) string {
	return ownPrefix + strings.ToUpper(strings.ReplaceAll(f.Name, "-", "_"))
}

func environment(f *pflag.Flag) (string, bool, error) {
	value, set := os.LookupEnv(variable(f))
	return value, set, nil
}

// configFile is what the configuration file says: a value for each name of a flag. The
// zero one says nothing.
type configFile struct {
	path   string
	values map[string]any
}

// configPath is where the configuration file lies (XDG Base Directory Specification on
// Unix). Without a home there is none.
func configPath() (string, error) { return jsonfile.Path("config.toml") }

// readConfig reads the configuration file, which need not be there, and refuses keys that
// are no flag of any of the daemon's commands.
func readConfig(root *cobra.Command) (configFile, error) {
	path, err := configPath()
	if err != nil {
		return configFile{}, nil // a daemon without a home is set up by flags
	}
	text, err := readSmall(path)
	if errors.Is(err, fs.ErrNotExist) {
		return configFile{path: path}, nil
	}
	if err != nil {
		return configFile{}, err
	}
	c := configFile{path: path}
	if _, err := toml.Decode(text, &c.values); err != nil {
		var at toml.ParseError
		if errors.As(err, &at) {
			return c, fmt.Errorf("%s, line %d: %s", path, at.Position.Line, at.Message)
		}
		return c, fmt.Errorf("%s: %w", path, err)
	}
	known := map[string]*pflag.Flag{}
	for _, cmd := range daemonCommands(root) {
		for _, f := range settable(cmd) {
			known[f.Name] = f
		}
	}
	for _, key := range slices.Sorted(maps.Keys(c.values)) {
		if known[key] == nil {
			return c, fmt.Errorf("%s: there is no %q: the keys are %s", path, key, strings.Join(slices.Sorted(maps.Keys(known)), ", "))
		}
		// Also of what this command does not take: the file is right, or it is not.
		if _, err := c.written(known[key]); err != nil {
			return c, err
		}
	}
	return c, nil
}

// readSmall reads a file that people write by hand.
func readSmall(path string) (string, error) {
	info, err := os.Stat(path)
	if err != nil {
		return "", err
	}
	if !info.Mode().IsRegular() { // a pipe would never be opened
		return "", fmt.Errorf("%s is no file: write the configuration there, or take it away", path)
	}
	file, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer file.Close()
	text, err := io.ReadAll(io.LimitReader(file, mostFileSize+1))
	if err == nil && len(text) > mostFileSize {
		err = fmt.Errorf("%s has more than %d bytes: is it a configuration?", path, mostFileSize)
	}
	return string(text), err
}

// daemonCommands are those that read the configuration file.
func daemonCommands(root *cobra.Command) (all []*cobra.Command) {
	for _, cmd := range append(root.Commands(), root) {
		if _, reads := cmd.Annotations[readsFile]; reads {
			all = append(all, cmd)
		}
	}
	return all
}

// value is what the file says of a flag, as it is written on a command line.
func (c configFile) value(f *pflag.Flag) (text string, set bool, err error) {
	if _, set := c.values[f.Name]; !set || annotated(f, notFromFile) {
		return "", false, nil
	}
	text, err = c.written(f)
	return text, err == nil, err
}

// written is the value of a flag that the file has, as it is written on a command line.
func (c configFile) written(f *pflag.Flag) (string, error) {
	v := c.values[f.Name]
	wants := "a text in quotes"
	switch f.Value.Type() {
	case "bool":
		wants = "true or false"
		if x, ok := v.(bool); ok {
			return strconv.FormatBool(x), nil
		}
	case "int":
		wants = "a whole number"
		if x, ok := v.(int64); ok {
			return strconv.FormatInt(x, 10), nil
		}
	case "float64":
		wants = "a number"
		switch x := v.(type) {
		case int64:
			return strconv.FormatInt(x, 10), nil
		case float64:
			return strconv.FormatFloat(x, 'g', -1, 64), nil
		}
	default:
		switch x := v.(type) {
		case string:
			return x, nil
		case int64: // one channel of several that could be
			return strconv.FormatInt(x, 10), nil
		}
		if _, many := f.Value.(pflag.SliceValue); many {
			wants = "texts in quotes with commas between them, all in one"
		}
	}
	if annotated(f, isSecret) {
		return "", fmt.Errorf("%s: %s wants %s", c.path, f.Name, wants)
	}
	return "", fmt.Errorf("%s: %s wants %s, not %s", c.path, f.Name, wants, inTOML(v))
}

// inTOML is a value as it is in TOML, as far as it helps.
func inTOML(v any) string {
	switch x := v.(type) {
	case string:
		return strconv.Quote(x)
	case bool, int64, float64:
		return fmt.Sprint(x)
	case []any:
		return "a list"
	case map[string]any:
		return "a table"
	}
	return "that"
}
