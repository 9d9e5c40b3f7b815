// Package report writes what a show holds as one HTML page that needs nothing
// else: no other file, no network. Its plots are drawn by the pages' own modules,
// joined to one script, from the numbers that are attached; without a script there
// are the tables. It prints on A4 as it stands.
//
//	show, takes, ledgers, plans ─► Data ─┬► Write ─► one page
//	modules of the pages ─► Join ────────┘
//
// Everything that people have named is escaped; nothing of it is trusted.
package report
