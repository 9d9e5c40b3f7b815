//go:build !amd64

package response

func addLast(cells []cell, x []complex128, decay float64) { addLastGo(cells, x, decay) }
