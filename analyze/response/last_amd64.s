#include "textflag.h"

DATA quarterOf<>+0(SB)/8, $0.25
GLOBL quarterOf<>(SB), RODATA|NOPTR, $8

// LAST takes a, b, c, d from A…D to the bins of r = 0…3.
#define LAST(A, B, C, D) \
	VADDPD  C, A, Y8       \ // a + c
	VSUBPD  C, A, Y9       \ // a − c
	VADDPD  D, B, Y10      \ // b + d
	VSUBPD  D, B, Y11      \
	VSHUFPD $5, Y11, Y11, Y11 \
	VXORPD  Y14, Y11, Y11  \ // −j·(b − d)
	VADDPD  Y10, Y8, A     \
	VADDPD  Y11, Y9, B     \
	VSUBPD  Y10, Y8, C     \
	VSUBPD  Y11, Y9, D

// PAIRS adds two bins U with their twins D to the cells at FIRST and SECOND, as
// addPairsWide does.
#define PAIRS(U, D, FIRST, SECOND) \
	VADDPD     D, U, Y8         \ // s
	VSUBPD     D, U, U          \ // t
	VSHUFPD    $5, Y8, Y8, Y9   \
	VSHUFPD    $5, U, U, Y10    \
	VMULPD     Y8, Y8, D        \
	VMULPD     Y10, Y10, Y11    \
	VADDPD     Y11, D, D        \ // |X|², |Y|²
	VMULPD     Y9, Y8, Y9       \
	VMULPD     Y10, U, Y10      \
	VSUBPD     Y10, Y9, Y9      \ // re, re
	VMULPD     U, Y8, Y10       \
	VSHUFPD    $5, Y10, Y10, Y11 \
	VADDPD     Y11, Y10, Y10    \ // −im, −im
	VUNPCKLPD  Y10, Y9, Y9      \
	VXORPD     Y14, Y9, Y9      \ // re, im
	VPERM2F128 $0x20, Y9, D, Y8 \
	VPERM2F128 $0x31, Y9, D, Y10 \
	VMULPD     Y12, Y8, Y8      \
	VMULPD     Y12, Y10, Y10    \
	VMULPD     FIRST, Y13, Y9   \
	VMULPD     SECOND, Y13, Y11 \
	VADDPD     Y8, Y9, Y9       \
	VADDPD     Y10, Y11, Y11    \
	VMOVUPD    Y9, FIRST        \
	VMOVUPD    Y11, SECOND

// func addLastWide(cells []cell, x []complex128, decay float64)
TEXT ·addLastWide(SB), NOSPLIT, $0-56
	MOVQ cells_base+0(FP), DI
	MOVQ x_base+24(FP), SI
	MOVQ x_len+32(FP), R8
	MOVQ R8, CX
	SHRQ $4, CX
	DECQ CX                   // pairs of q: (h/2 − 2)/2
	SHLQ $2, R8               // bytes of h numbers: 16·len/4
	LEAQ (R8)(R8*2), R9
	LEAQ (R8)(R8*1), R10      // bytes of h cells
	LEAQ -48(SI)(R8*1), DX    // h − 3 and h − 2
	LEAQ -96(DI)(R10*1), BX
	ADDQ $32, SI              // 2 and 3
	ADDQ $64, DI

	VBROADCASTSD quarterOf<>(SB), Y12
	VBROADCASTSD decay+48(FP), Y13
	VPCMPEQD    X14, X14, X14
	VPSLLQ      $63, X14, X14
	VPSLLDQ     $8, X14, X14
	VINSERTF128 $1, X14, Y14, Y14 // (0, −0, 0, −0)

two:
	VMOVUPD (SI), Y0
	VMOVUPD (SI)(R8*1), Y1
	VMOVUPD (SI)(R8*2), Y2
	VMOVUPD (SI)(R9*1), Y3
	LAST(Y0, Y1, Y2, Y3)
	VMOVUPD (DX), Y4
	VPERM2F128 $1, Y4, Y4, Y4
	VMOVUPD (DX)(R8*1), Y5
	VPERM2F128 $1, Y5, Y5, Y5
	VMOVUPD (DX)(R8*2), Y6
	VPERM2F128 $1, Y6, Y6, Y6
	VMOVUPD (DX)(R9*1), Y7
	VPERM2F128 $1, Y7, Y7, Y7
	LAST(Y4, Y5, Y6, Y7)
	PAIRS(Y0, Y7, (DI), 32(DI))
	PAIRS(Y1, Y6, (DI)(R10*1), 32(DI)(R10*1))
	PAIRS(Y4, Y3, 32(BX), (BX))
	PAIRS(Y5, Y2, 32(BX)(R10*1), (BX)(R10*1))
	ADDQ $32, SI
	ADDQ $64, DI
	SUBQ $32, DX
	SUBQ $64, BX
	DECQ CX
	JNZ  two
	VZEROUPPER
	RET
