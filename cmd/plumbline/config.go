package main

import (
	"bufio"
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

func newConfigCommand() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:     "config",
		GroupID: groupLive,
		Short:   "What the daemon is set to, and where each value comes from",
		Long: `Lists what plumbline, plumbline serve and plumbline demo are set to where their
flags say nothing else, and where each value comes from. Each flag of theirs is
a key of the configuration file, with the same name and without the dashes in
front; the environment (PLUMBLINE_LISTEN for --listen) goes before the file,
and a flag before both. Whoever names a source leaves what is said beneath of
other sources aside. The demo leaves show, record, webhook, calibration and
sensitivity of the file aside: they are of real rooms. Addresses that are
secrets are not shown whole.`,
		Example: `  plumbline config
  plumbline config --json
  PLUMBLINE_LISTEN=127.0.0.1:9000 plumbline config`,
		Args: takes(0, 0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			r, err := newConfigReport(cmd.Root())
			if err != nil {
				return err
			}
			if asJSON {
				return printJSON(cmd.OutOrStdout(), r)
			}
			return r.print(cmd.OutOrStdout())
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "one JSON object instead of a table")
	return cmd
}

// configReport is the JSON of config.
type configReport struct {
	File   *string        `json:"file"` // null: there is no place for one
	Found  bool           `json:"found"`
	Values []configObject `json:"values"` // by key
}

type configObject struct {
	Key      string   `json:"key"`
	Value    any      `json:"value"` // a bool, a number or a string, as the flag takes it
	From     string   `json:"from"`  // fromDefault, fromFile or fromEnvironment
	Variable string   `json:"variable"`
	Commands []string `json:"commands"` // that take it, the value of the first
}

func newConfigReport(root *cobra.Command) (configReport, error) {
	r := configReport{Values: []configObject{}}
	if path, err := configPath(); err == nil {
		r.File = &path
		_, err := os.Stat(path)
		r.Found = !errors.Is(err, fs.ErrNotExist)
	}
	file, err := readConfig(root)
	if err != nil {
		return r, err
	}
	for _, cmd := range inOrder(daemonCommands(root)) {
		if err := lay(cmd, file); err != nil {
			return r, err
		}
		for _, f := range settable(cmd) {
			at := slices.IndexFunc(r.Values, func(o configObject) bool { return o.Key == f.Name })
			if at < 0 {
				at = len(r.Values)
				r.Values = append(r.Values, configObject{Key: f.Name, Value: shown(f), From: from(f), Variable: variable(f)})
			}
			if !annotated(f, notFromFile) {
				r.Values[at].Commands = append(r.Values[at].Commands, cmd.CommandPath())
			}
		}
	}
	slices.SortFunc(r.Values, func(a, b configObject) int { return cmp.Compare(a.Key, b.Key) })
	return r, nil
}

// inOrder puts those first that take most from the file.
func inOrder(commands []*cobra.Command) []*cobra.Command {
	taken := func(cmd *cobra.Command) (n int) {
		for _, f := range settable(cmd) {
			if !annotated(f, notFromFile) {
				n++
			}
		}
		return n
	}
	slices.SortStableFunc(commands, func(a, b *cobra.Command) int { return taken(b) - taken(a) })
	return commands
}

// shown is the value of a flag with its type; of a secret as much as tells it from others.
func shown(f *pflag.Flag) any {
	text := f.Value.String()
	if annotated(f, isSecret) {
		return masked(text)
	}
	if list, ok := f.Value.(pflag.SliceValue); ok {
		return strings.Join(list.GetSlice(), ",")
	}
	switch f.Value.Type() {
	case "bool":
		return text == "true"
	case "int":
		if n, err := strconv.Atoi(text); err == nil {
			return n
		}
	case "float64":
		if x, err := strconv.ParseFloat(text, 64); err == nil {
			return x
		}
	}
	return text
}

// masked leaves of an address where it leads, and not the path, which lets in whoever
// knows it.
func masked(address string) string {
	if address == "" {
		return ""
	}
	if u, err := url.Parse(address); err == nil && u.Host != "" {
		return u.Scheme + "://" + u.Host + "/…"
	}
	return "…"
}

func (r configReport) print(w io.Writer) error {
	out := bufio.NewWriter(w)
	switch {
	case r.File == nil:
		fmt.Fprintln(out, "There is no place for a configuration file: this user has no home.")
	case r.Found:
		fmt.Fprintf(out, "The configuration file is %s.\n", *r.File)
	default:
		fmt.Fprintf(out, "There is no configuration file; it would be %s.\n", *r.File)
	}
	fmt.Fprintln(out)
	key, value := 0, 0
	texts := make([]string, len(r.Values))
	for i, o := range r.Values {
		texts[i] = fmt.Sprint(o.Value)
		if text, ok := o.Value.(string); ok {
			texts[i] = strconv.Quote(text)
		}
		key, value = max(key, len(o.Key)), max(value, len([]rune(texts[i])))
	}
	for i, o := range r.Values {
		says := o.From
		if o.From == fromEnvironment {
			says = o.Variable
		}
		fmt.Fprintln(out, strings.TrimRight(fmt.Sprintf("%-*s = %-*s  %s", key, o.Key, value, texts[i], says), " "))
	}
	return out.Flush()
}
