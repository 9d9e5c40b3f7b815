#include "textflag.h"

// func stereoQuads(left, right []float64, block []byte) bool
//
// A number that is not finite is nothing less itself: all others leave +0.
TEXT ·stereoQuads(SB), NOSPLIT, $0-73
	MOVQ left_base+0(FP), DI
	MOVQ left_len+8(FP), CX
	MOVQ right_base+24(FP), DX
	MOVQ block_base+48(FP), SI
	SHRQ $2, CX               // four frames at a time
	XORPS X7, X7

quad:
	MOVUPS   (SI), X0         // l r l r
	MOVUPS   16(SI), X1
	MOVAPS   X0, X2
	MOVAPS   X0, X4
	MOVAPS   X1, X5
	SHUFPS   $0x88, X1, X0    // l l l l
	SHUFPS   $0xDD, X1, X2    // r r r r
	SUBPS    X4, X4
	SUBPS    X5, X5
	ORPS     X4, X7
	ORPS     X5, X7
	CVTPS2PD X0, X4
	CVTPS2PD X2, X5
	MOVHLPS  X0, X0
	MOVHLPS  X2, X2
	CVTPS2PD X0, X0
	CVTPS2PD X2, X2
	MOVUPD   X4, (DI)
	MOVUPD   X0, 16(DI)
	MOVUPD   X5, (DX)
	MOVUPD   X2, 16(DX)
	ADDQ     $32, SI
	ADDQ     $32, DI
	ADDQ     $32, DX
	DECQ     CX
	JNZ      quad

	XORPS    X0, X0
	PCMPEQL  X0, X7
	PMOVMSKB X7, AX
	CMPL     AX, $0xFFFF
	SETEQ    ret+72(FP)
	RET
