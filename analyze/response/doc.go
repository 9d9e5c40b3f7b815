// Package response estimates the transfer function between a reference and a
// microphone, with its certainty.
package response
