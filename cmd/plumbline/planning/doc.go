// Package planning turns the takes of the open show into ledgers and plans,
// keeps plans, and compares them with proof.
//
//	takes of A alone, B alone, both ─► ledger of each seat
//	                               └─► plan over all seats ─► dial in ─► verify
//
// A plan is kept with what to set for each loudspeaker, and each take with what
// was set when it was made, so that takes from before and after a plan can be
// told apart and the plan of one pair counts for the next. It changes nothing
// that is stored, but to add plans and the proof of them.
package planning
