// Package statistics says how far averaged spectra can be trusted: the exact
// distribution of the coherence estimate, the intervals of the transfer
// function, and how many independent averages an average is worth.
//
// Symbols: C true and g estimated magnitude-squared coherence (0…1), n number
// of independent averages (not necessarily whole). Pure functions, safe for
// concurrent use.
package statistics
