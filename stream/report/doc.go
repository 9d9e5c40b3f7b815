// Package report writes what a show holds as one HTML page that needs nothing
// else: no script, no other file, no network. Its plots are SVG, its numbers are
// attached, and it prints on A4 as it stands.
//
//	show, takes, ledgers, plans ─► Data ─► Write ─► one page
//
// Everything that people have named is escaped; nothing of it is trusted.
package report
