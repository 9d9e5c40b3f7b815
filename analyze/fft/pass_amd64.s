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

// func passNarrow(y, x, twiddles []complex128, stride int)
TEXT ·passNarrow(SB), NOSPLIT, $0-80
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

// Below, two complex numbers lie in a register: the same sums and products in the
// same order, so the same result to the last bit.

// MASKS sets Y14 to (−0, 0, −0, 0) and Y15 to (0, −0, 0, −0).
#define MASKS \
	VPCMPEQD    X14, X14, X14     \
	VPSLLQ      $63, X14, X14     \
	VPSLLDQ     $8, X14, X15      \
	VPSRLDQ     $8, X14, X14      \
	VINSERTF128 $1, X14, Y14, Y14 \
	VINSERTF128 $1, X15, Y15, Y15

// BUTTERFLY takes a, b, c, d from Y0…Y3 to the sums in Y6, Y2, Y4, Y0, of which
// the last three have not been turned.
#define BUTTERFLY \
	VADDPD  Y2, Y0, Y4     \ // a + c
	VSUBPD  Y2, Y0, Y0     \ // a − c
	VADDPD  Y3, Y1, Y5     \ // b + d
	VSUBPD  Y3, Y1, Y1     \
	VSHUFPD $5, Y1, Y1, Y1 \
	VXORPD  Y15, Y1, Y1    \ // −j·(b − d)
	VADDPD  Y5, Y4, Y6     \
	VSUBPD  Y5, Y4, Y4     \
	VADDPD  Y1, Y0, Y2     \
	VSUBPD  Y1, Y0, Y0

// TURNTWO multiplies E by the twiddles (WR, WI).
#define TURNTWO(E, WR, WI) \
	VSHUFPD $5, E, E, Y7 \
	VMULPD  WR, E, E     \
	VMULPD  WI, Y7, Y7   \
	VADDPD  Y7, E, E

// SPREAD splits the twiddle at off(BX) into WR and WI, both twice.
#define SPREAD(off, WR, WI) \
	VBROADCASTSD off(BX), WR   \
	VBROADCASTSD off+8(BX), WI \
	VXORPD       Y14, WI, WI

// func passWide(y, x, twiddles []complex128, stride int)
TEXT ·passWide(SB), NOSPLIT, $0-80
	MOVQ y_base+0(FP), DI
	MOVQ x_base+24(FP), SI
	MOVQ x_len+32(FP), R8
	MOVQ twiddles_base+48(FP), BX
	MOVQ twiddles_len+56(FP), AX
	MOVQ stride+72(FP), DX
	SHLQ $2, R8
	LEAQ (R8)(R8*2), R9
	MOVQ DX, R10
	SHLQ $4, R10
	LEAQ (R10)(R10*2), R11
	SHLQ $4, AX
	ADDQ BX, AX
	SHRQ $1, DX               // two at a time
	MASKS

wideTwiddles:
	SPREAD(0, Y8, Y9)
	SPREAD(16, Y10, Y11)
	SPREAD(32, Y12, Y13)
	MOVQ DX, CX

wide:
	VMOVUPD (SI), Y0
	VMOVUPD (SI)(R8*1), Y1
	VMOVUPD (SI)(R8*2), Y2
	VMOVUPD (SI)(R9*1), Y3
	BUTTERFLY
	VMOVUPD Y6, (DI)
	TURNTWO(Y2, Y8, Y9)
	VMOVUPD Y2, (DI)(R10*1)
	TURNTWO(Y4, Y10, Y11)
	VMOVUPD Y4, (DI)(R10*2)
	TURNTWO(Y0, Y12, Y13)
	VMOVUPD Y0, (DI)(R11*1)
	ADDQ    $32, SI
	ADDQ    $32, DI
	DECQ    CX
	JNZ     wide

	ADDQ R11, DI
	ADDQ $48, BX
	CMPQ BX, AX
	JLT  wideTwiddles
	VZEROUPPER
	RET

// func passFirst(y, x, twiddles []complex128)
TEXT ·passFirst(SB), NOSPLIT, $0-72
	MOVQ y_base+0(FP), DI
	MOVQ x_base+24(FP), SI
	MOVQ x_len+32(FP), R8
	MOVQ twiddles_base+48(FP), BX
	MOVQ R8, CX
	SHRQ $3, CX               // pairs of butterflies
	SHLQ $2, R8
	LEAQ (R8)(R8*2), R9
	MASKS

first:
	VMOVUPD     (BX), X9
	VINSERTF128 $1, 48(BX), Y9, Y9
	VMOVDDUP    Y9, Y8
	VPERMILPD   $15, Y9, Y9
	VXORPD      Y14, Y9, Y9
	VMOVUPD     16(BX), X11
	VINSERTF128 $1, 64(BX), Y11, Y11
	VMOVDDUP    Y11, Y10
	VPERMILPD   $15, Y11, Y11
	VXORPD      Y14, Y11, Y11
	VMOVUPD     32(BX), X13
	VINSERTF128 $1, 80(BX), Y13, Y13
	VMOVDDUP    Y13, Y12
	VPERMILPD   $15, Y13, Y13
	VXORPD      Y14, Y13, Y13
	VMOVUPD     (SI), Y0
	VMOVUPD     (SI)(R8*1), Y1
	VMOVUPD     (SI)(R8*2), Y2
	VMOVUPD     (SI)(R9*1), Y3
	BUTTERFLY
	TURNTWO(Y2, Y8, Y9)
	TURNTWO(Y4, Y10, Y11)
	TURNTWO(Y0, Y12, Y13)
	VPERM2F128  $0x20, Y2, Y6, Y8  // the first of each
	VPERM2F128  $0x20, Y0, Y4, Y9
	VPERM2F128  $0x31, Y2, Y6, Y10 // the second
	VPERM2F128  $0x31, Y0, Y4, Y11
	VMOVUPD     Y8, (DI)
	VMOVUPD     Y9, 32(DI)
	VMOVUPD     Y10, 64(DI)
	VMOVUPD     Y11, 96(DI)
	ADDQ        $32, SI
	ADDQ        $128, DI
	ADDQ        $96, BX
	DECQ        CX
	JNZ         first
	VZEROUPPER
	RET

// QUARTER takes four samples of a quarter, at address AT of a, b and w, and leaves
// those under the window: the first and third in LOW, the others in HIGH. Y12 and
// Y13 collect their sums.
#define QUARTER(A, B, W, LOW, HIGH) \
	VMOVUPD   A, Y4         \
	VMOVUPD   B, Y5         \
	VMOVUPD   W, Y6         \
	VADDPD    Y4, Y12, Y12  \
	VADDPD    Y5, Y13, Y13  \
	VMULPD    Y6, Y4, Y4    \
	VMULPD    Y6, Y5, Y5    \
	VUNPCKLPD Y5, Y4, LOW   \
	VUNPCKHPD Y5, Y4, HIGH

// TURNAT multiplies E by the twiddles of two butterflies that are two apart.
#define TURNAT(off, E) \
	VMOVUPD     off(R12), X13              \
	VINSERTF128 $1, off+96(R12), Y13, Y13  \
	VMOVDDUP    Y13, Y12                   \
	VPERMILPD   $15, Y13, Y13              \
	VXORPD      Y14, Y13, Y13              \
	TURNTWO(E, Y12, Y13)

// APART stores the results of two butterflies that are two apart.
#define APART(off) \
	VPERM2F128 $0x20, Y2, Y6, Y1 \
	VPERM2F128 $0x20, Y0, Y4, Y3 \
	VPERM2F128 $0x31, Y2, Y6, Y5 \
	VPERM2F128 $0x31, Y0, Y4, Y7 \
	VMOVUPD    Y1, off(DI)       \
	VMOVUPD    Y3, off+32(DI)    \
	VMOVUPD    Y5, off+128(DI)   \
	VMOVUPD    Y7, off+160(DI)

// func pairWide(y []complex128, a, b, w []float64, twiddles []complex128, sums *[8]float64)
TEXT ·pairWide(SB), NOSPLIT, $0-128
	MOVQ y_base+0(FP), DI
	MOVQ y_len+8(FP), R8
	MOVQ a_base+24(FP), SI
	MOVQ b_base+48(FP), BX
	MOVQ w_base+72(FP), DX
	MOVQ twiddles_base+96(FP), R12
	MOVQ sums+120(FP), AX
	MOVQ R8, CX
	SHRQ $4, CX               // four butterflies at a time
	SHLQ $1, R8               // bytes of a quarter of a
	LEAQ (R8)(R8*2), R9
	MASKS
	VXORPD  Y12, Y12, Y12
	VMOVUPD Y12, (AX)
	VMOVUPD Y12, 32(AX)

pair:
	VXORPD  Y12, Y12, Y12
	VXORPD  Y13, Y13, Y13
	QUARTER((SI), (BX), (DX), Y0, Y8)
	QUARTER((SI)(R8*1), (BX)(R8*1), (DX)(R8*1), Y1, Y9)
	QUARTER((SI)(R8*2), (BX)(R8*2), (DX)(R8*2), Y2, Y10)
	QUARTER((SI)(R9*1), (BX)(R9*1), (DX)(R9*1), Y3, Y11)
	VADDPD  (AX), Y12, Y12
	VADDPD  32(AX), Y13, Y13
	VMOVUPD Y12, (AX)
	VMOVUPD Y13, 32(AX)
	BUTTERFLY
	TURNAT(0, Y2)
	TURNAT(16, Y4)
	TURNAT(32, Y0)
	APART(0)
	VMOVAPD Y8, Y0
	VMOVAPD Y9, Y1
	VMOVAPD Y10, Y2
	VMOVAPD Y11, Y3
	BUTTERFLY
	TURNAT(48, Y2)
	TURNAT(64, Y4)
	TURNAT(80, Y0)
	APART(64)
	ADDQ    $32, SI
	ADDQ    $32, BX
	ADDQ    $32, DX
	ADDQ    $192, R12
	ADDQ    $256, DI
	DECQ    CX
	JNZ     pair
	VZEROUPPER
	RET

// func avx() bool
TEXT ·avx(SB), NOSPLIT, $0-1
	MOVL $1, AX
	XORL CX, CX
	CPUID
	ANDL $(3<<27), CX         // the system saves wide registers, the processor has AVX
	CMPL CX, $(3<<27)
	JNE  without
	XORL CX, CX
	XGETBV
	ANDL $6, AX               // it saves XMM and YMM
	CMPL AX, $6
	JNE  without
	MOVB $1, ret+0(FP)
	RET

without:
	MOVB $0, ret+0(FP)
	RET
