package main

import (
	"fmt"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"plumbline/stream/access"
)

func newTokenCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "token",
		GroupID: groupLive,
		Short:   "Say who may look and who may operate, from other machines",
		Long: `A daemon that listens where other machines can reach it (--listen) asks them for
a token. A viewer's lets its bearer see all that is measured and stored; an
operator's lets it change that too, and play the test signal.

Only a hash of each is kept, in a file of yours that others cannot read. What is
added or removed counts at once, also in daemons that run.`,
		Example: `  plumbline token add "Ada's phone" --role operator
  plumbline token list
  plumbline token remove "Ada's phone"`,
		Args: knownCommand,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(newTokenAddCommand(), newTokenListCommand(), newTokenRemoveCommand())
	return cmd
}

// openTokens opens those of the user.
func openTokens() (*access.Tokens, error) {
	path, err := access.Path()
	if err != nil {
		return nil, err
	}
	return access.OpenTokens(path)
}

func newTokenAddCommand() *cobra.Command {
	var role string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "add NAME",
		Short: "Make a token and show it, this once",
		Example: `  plumbline token add "Ada's phone" --role operator
  plumbline token add screen --role viewer --json`,
		Args:              takes(1, 1, "a name, such as whose the token is"),
		ValidArgsFunction: cobra.NoFileCompletions,
		RunE: func(cmd *cobra.Command, args []string) error {
			r, err := access.ParseRole(role)
			if err != nil {
				return usagef("--role: %w", err)
			}
			tokens, err := openTokens()
			if err != nil {
				return err
			}
			secret, err := tokens.Add(args[0], r)
			if err != nil {
				return err
			}
			if asJSON {
				return printJSON(cmd.OutOrStdout(), struct {
					Name  string      `json:"name"`
					Role  access.Role `json:"role"`
					Token string      `json:"token"`
				}{args[0], r, secret})
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), `%s
The token of %q, %s: it is shown this once. Open the daemon's address with
/?token= and the token behind it, or send Authorization: Bearer and the token.
`, secret, args[0], r)
			return err
		},
	}
	cmd.Flags().StringVar(&role, "role", string(access.Viewer), "`ROLE` of whoever has it: viewer or operator")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON, for programs")
	cmd.RegisterFlagCompletionFunc("role", cobra.FixedCompletions([]string{string(access.Viewer), string(access.Operator)}, cobra.ShellCompDirectiveNoFileComp))
	return cmd
}

func newTokenListCommand() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:               "list",
		Short:             "Name the tokens, without what is secret of them",
		Args:              takes(0, 0, "no arguments"),
		ValidArgsFunction: cobra.NoFileCompletions,
		RunE: func(cmd *cobra.Command, _ []string) error {
			tokens, err := openTokens()
			if err != nil {
				return err
			}
			list, err := tokens.List()
			if err != nil {
				return err
			}
			if asJSON {
				return printJSON(cmd.OutOrStdout(), tokenList(list))
			}
			if len(list) == 0 {
				_, err := fmt.Fprintln(cmd.OutOrStdout(), "No tokens: plumbline token add NAME makes one.")
				return err
			}
			w := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 0, 2, ' ', 0)
			for _, k := range list {
				fmt.Fprintf(w, "%s\t%s\t%s\n", k.Name, k.Role, k.Added.Local().Format("2006-01-02 15:04"))
			}
			return w.Flush()
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON, for programs")
	return cmd
}

// tokenList is what token list prints.
func tokenList(list []access.Token) any {
	type entry struct {
		Name  string      `json:"name"`
		Role  access.Role `json:"role"`
		Added string      `json:"added"`
	}
	entries := make([]entry, len(list))
	for i, k := range list {
		entries[i] = entry{k.Name, k.Role, k.Added.Format("2006-01-02T15:04:05Z07:00")}
	}
	return struct {
		Tokens []entry `json:"tokens"`
	}{entries}
}

func newTokenRemoveCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "remove NAME",
		Short: "End a token: who is connected with it is let go",
		Args:  takes(1, 1, "the name of a token"),
		ValidArgsFunction: func(_ *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
			var names []string
			if tokens, err := openTokens(); err == nil && len(args) == 0 {
				list, _ := tokens.List()
				for _, k := range list {
					names = append(names, k.Name)
				}
			}
			return names, cobra.ShellCompDirectiveNoFileComp
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			tokens, err := openTokens()
			if err != nil {
				return err
			}
			return tokens.Remove(args[0])
		},
	}
}
