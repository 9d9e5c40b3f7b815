#include "textflag.h"

// A complex number lies in a register as (re, im).
//
// e·w is (re e, im e)·(re w, re w) + (im e, re e)·(−im w, im w).

// TWIDDLE splits the one at off(BX) into WR = (re, re) and WI = (−im, im).
#define TWIDDLE(off, WR, WI) \
	MOVUPD   off(BX), WR \
	MOVAPD   WR, WI      \
	UNPCKLPD WR, WR      \
	UNPCKHPD WI, WI      \
	XORPD    X14, WI

// TURN multiplies E by the twiddle (WR, WI) and stores it.
#define TURN(E, WR, WI, ADDRESS) \
	MOVAPD E, X7     \
	SHUFPD $1, X7, X7 \
	MULPD  WR, E     \
	MULPD  WI, X7    \
	ADDPD  X7, E     \
	MOVUPD E, ADDRESS

// func pass(y, x, twiddles []complex128, stride int)
TEXT ·pass(SB), NOSPLIT, $0-80
	MOVQ y_base+0(FP), DI
	MOVQ x_base+24(FP), SI
	MOVQ x_len+32(FP), R8
	MOVQ twiddles_base+48(FP), BX
	MOVQ twiddles_len+56(FP), AX
	MOVQ stride+72(FP), DX
	SHLQ $2, R8               // bytes of a quarter of x: 16·len/4
	LEAQ (R8)(R8*2), R9       // of three
	MOVQ DX, R10
	SHLQ $4, R10              // bytes of a stride
	LEAQ (R10)(R10*2), R11    // of three
	SHLQ $4, AX
	ADDQ BX, AX               // end of the twiddles

	PCMPEQL X14, X14
	PSLLQ   $63, X14          // (−0, −0)
	MOVAPD  X14, X15
	PSLLDQ  $8, X15           // (0, −0) turns (im, re) into −j·(re, im)
	PSRLDQ  $8, X14           // (−0, 0)

butterflies:
	TWIDDLE(0, X8, X9)
	TWIDDLE(16, X10, X11)
	TWIDDLE(32, X12, X13)
	MOVQ DX, CX

butterfly:
	MOVUPD (SI), X0           // a
	MOVUPD (SI)(R8*1), X1     // b
	MOVUPD (SI)(R8*2), X2     // c
	MOVUPD (SI)(R9*1), X3     // d
	MOVAPD X0, X4
	ADDPD  X2, X4             // a + c
	SUBPD  X2, X0             // a − c
	MOVAPD X1, X5
	ADDPD  X3, X5             // b + d
	SUBPD  X3, X1
	SHUFPD $1, X1, X1
	XORPD  X15, X1            // −j·(b − d)
	MOVAPD X4, X6
	ADDPD  X5, X6
	MOVUPD X6, (DI)
	SUBPD  X5, X4
	MOVAPD X0, X6
	ADDPD  X1, X6
	SUBPD  X1, X0
	TURN(X6, X8, X9, (DI)(R10*1))
	TURN(X4, X10, X11, (DI)(R10*2))
	TURN(X0, X12, X13, (DI)(R11*1))
	ADDQ   $16, SI
	ADDQ   $16, DI
	DECQ   CX
	JNZ    butterfly

	ADDQ R11, DI
	ADDQ $48, BX
	CMPQ BX, AX
	JLT  butterflies
	RET
