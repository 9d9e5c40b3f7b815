#include "textflag.h"

DATA quarter<>+0(SB)/8, $0.25
GLOBL quarter<>(SB), RODATA|NOPTR, $8

// func addPairsWide(cells []cell, up, down []complex128, decay float64)
//
// For each two bins: s = u + d = (2 xr, 2 yr), t = u − d = (−2 yi, 2 xi), and
//
//	4 (|X|², |Y|²) = s∘s + t'∘t', t' = t with its parts exchanged
//	4 X*·Y = (s₀s₁ − t₀t₁, −(s₀t₀ + s₁t₁))
TEXT ·addPairsWide(SB), NOSPLIT, $0-80
	MOVQ cells_base+0(FP), DI
	MOVQ up_base+24(FP), SI
	MOVQ up_len+32(FP), CX
	MOVQ down_base+48(FP), DX
	MOVQ CX, AX
	SHLQ $4, AX
	LEAQ -32(DX)(AX*1), DX   // the last two of down
	SHRQ $1, CX

	VBROADCASTSD quarter<>(SB), Y12
	VBROADCASTSD decay+72(FP), Y13
	VPCMPEQD    X14, X14, X14
	VPSLLQ      $63, X14, X14
	VPSLLDQ     $8, X14, X14
	VINSERTF128 $1, X14, Y14, Y14 // (0, −0, 0, −0)

two:
	VMOVUPD    (SI), Y0
	VMOVUPD    (DX), Y1
	VPERM2F128 $1, Y1, Y1, Y1
	VADDPD     Y1, Y0, Y2    // s
	VSUBPD     Y1, Y0, Y3    // t
	VSHUFPD    $5, Y2, Y2, Y4
	VSHUFPD    $5, Y3, Y3, Y5
	VMULPD     Y2, Y2, Y6
	VMULPD     Y5, Y5, Y7
	VADDPD     Y7, Y6, Y6    // |X|², |Y|²
	VMULPD     Y4, Y2, Y7
	VMULPD     Y5, Y3, Y8
	VSUBPD     Y8, Y7, Y7    // re, re
	VMULPD     Y3, Y2, Y8
	VSHUFPD    $5, Y8, Y8, Y9
	VADDPD     Y9, Y8, Y8    // −im, −im
	VUNPCKLPD  Y8, Y7, Y7
	VXORPD     Y14, Y7, Y7   // re, im
	VPERM2F128 $0x20, Y7, Y6, Y8
	VPERM2F128 $0x31, Y7, Y6, Y9
	VMULPD     Y12, Y8, Y8
	VMULPD     Y12, Y9, Y9
	VMULPD     (DI), Y13, Y10
	VMULPD     32(DI), Y13, Y11
	VADDPD     Y8, Y10, Y10
	VADDPD     Y9, Y11, Y11
	VMOVUPD    Y10, (DI)
	VMOVUPD    Y11, 32(DI)
	ADDQ       $32, SI
	SUBQ       $32, DX
	ADDQ       $64, DI
	DECQ       CX
	JNZ        two
	VZEROUPPER
	RET
