//go:build !amd64

package response

func addPairs(cells []cell, up, down []complex128, decay float64) {
	addPairsGo(cells, up, down, decay)
}
