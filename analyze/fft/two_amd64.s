#include "textflag.h"

// Four complex numbers lie in a register: the same sums and products as in passGo,
// in the same order, so the same result to the last bit. Sixteen registers hold what
// two passes need of each other, and memory is gone through once for both.

// QUAD takes a, b, c, d to the sums of a butterfly, of which those in B, C and D
// have not been turned.
#define QUAD(A, B, C, D) \
	VADDPD    C, A, Z16      \ // a + c
	VSUBPD    C, A, Z18      \ // a − c
	VADDPD    D, B, Z17      \ // b + d
	VSUBPD    D, B, Z19      \
	VPERMILPD $85, Z19, Z19  \
	VPXORQ    Z31, Z19, Z19  \ // −j·(b − d)
	VADDPD    Z17, Z16, A    \
	VSUBPD    Z17, Z16, C    \
	VADDPD    Z19, Z18, B    \
	VSUBPD    Z19, Z18, D

// TURNFOUR multiplies E by the twiddle at RE and IM, with T to work in: e·w is
// (re e, im e)·(re w, re w) + (−im e, re e)·(im w, im w).
#define TURNFOUR(E, T, RE, IM) \
	VPERMILPD   $85, E, T  \
	VPXORQ      Z30, T, T  \
	VMULPD.BCST RE, E, E   \
	VMULPD.BCST IM, T, T   \
	VADDPD      T, E, E

// func passTwo(y, x, first, second []complex128, stride int)
TEXT ·passTwo(SB), NOSPLIT, $8-104
	MOVQ y_base+0(FP), DI
	MOVQ x_base+24(FP), SI
	MOVQ x_len+32(FP), R8     // bytes of a sixteenth of x
	MOVQ first_base+48(FP), BX
	MOVQ first_len+56(FP), R11
	MOVQ second_base+72(FP), DX
	MOVQ second_len+80(FP), AX
	SHLQ $4, AX
	ADDQ DX, AX
	MOVQ AX, end-8(SP)
	SHLQ $2, R11              // bytes of a quarter of the first twiddles
	LEAQ (R11)(R11*2), R12
	LEAQ (R8)(R8*2), R9
	MOVQ stride+96(FP), R13
	SHLQ $4, R13              // bytes of a stride
	LEAQ (R13)(R13*2), AX

	VPTERNLOGQ $255, Z31, Z31, Z31
	VPSLLQ     $63, Z31, Z31  // −0
	MOVQ       $0x55, CX
	KMOVW      CX, K1         // re
	MOVQ       $0xAA, CX
	KMOVW      CX, K2         // im
	VMOVAPD.Z  Z31, K1, Z30   // (−0, 0)
	VMOVAPD.Z  Z31, K2, Z31   // (0, −0)

twiddles:
	MOVQ stride+96(FP), CX
	SHRQ $2, CX               // four at a time

sixteen:
	VMOVUPD (SI), Z0
	VMOVUPD (SI)(R8*1), Z1
	VMOVUPD (SI)(R8*2), Z2
	VMOVUPD (SI)(R9*1), Z3
	LEAQ    (SI)(R8*4), R10
	VMOVUPD (R10), Z4
	VMOVUPD (R10)(R8*1), Z5
	VMOVUPD (R10)(R8*2), Z6
	VMOVUPD (R10)(R9*1), Z7
	LEAQ    (R10)(R8*4), R10
	VMOVUPD (R10), Z8
	VMOVUPD (R10)(R8*1), Z9
	VMOVUPD (R10)(R8*2), Z10
	VMOVUPD (R10)(R9*1), Z11
	LEAQ    (R10)(R8*4), R10
	VMOVUPD (R10), Z12
	VMOVUPD (R10)(R8*1), Z13
	VMOVUPD (R10)(R8*2), Z14
	VMOVUPD (R10)(R9*1), Z15

	QUAD(Z0, Z4, Z8, Z12)
	TURNFOUR(Z4, Z20, 0(BX), 8(BX))
	TURNFOUR(Z8, Z21, 16(BX), 24(BX))
	TURNFOUR(Z12, Z22, 32(BX), 40(BX))
	QUAD(Z1, Z5, Z9, Z13)
	TURNFOUR(Z5, Z23, 0(BX)(R11*1), 8(BX)(R11*1))
	TURNFOUR(Z9, Z24, 16(BX)(R11*1), 24(BX)(R11*1))
	TURNFOUR(Z13, Z25, 32(BX)(R11*1), 40(BX)(R11*1))
	QUAD(Z2, Z6, Z10, Z14)
	TURNFOUR(Z6, Z20, 0(BX)(R11*2), 8(BX)(R11*2))
	TURNFOUR(Z10, Z21, 16(BX)(R11*2), 24(BX)(R11*2))
	TURNFOUR(Z14, Z22, 32(BX)(R11*2), 40(BX)(R11*2))
	QUAD(Z3, Z7, Z11, Z15)
	TURNFOUR(Z7, Z23, 0(BX)(R12*1), 8(BX)(R12*1))
	TURNFOUR(Z11, Z24, 16(BX)(R12*1), 24(BX)(R12*1))
	TURNFOUR(Z15, Z25, 32(BX)(R12*1), 40(BX)(R12*1))

	QUAD(Z0, Z1, Z2, Z3)
	TURNFOUR(Z1, Z20, 0(DX), 8(DX))
	TURNFOUR(Z2, Z21, 16(DX), 24(DX))
	TURNFOUR(Z3, Z22, 32(DX), 40(DX))
	QUAD(Z4, Z5, Z6, Z7)
	TURNFOUR(Z5, Z23, 0(DX), 8(DX))
	TURNFOUR(Z6, Z24, 16(DX), 24(DX))
	TURNFOUR(Z7, Z25, 32(DX), 40(DX))
	QUAD(Z8, Z9, Z10, Z11)
	TURNFOUR(Z9, Z20, 0(DX), 8(DX))
	TURNFOUR(Z10, Z21, 16(DX), 24(DX))
	TURNFOUR(Z11, Z22, 32(DX), 40(DX))
	QUAD(Z12, Z13, Z14, Z15)
	TURNFOUR(Z13, Z23, 0(DX), 8(DX))
	TURNFOUR(Z14, Z24, 16(DX), 24(DX))
	TURNFOUR(Z15, Z25, 32(DX), 40(DX))

	VMOVUPD Z0, (DI)
	VMOVUPD Z4, (DI)(R13*1)
	VMOVUPD Z8, (DI)(R13*2)
	VMOVUPD Z12, (DI)(AX*1)
	LEAQ    (DI)(R13*4), R10
	VMOVUPD Z1, (R10)
	VMOVUPD Z5, (R10)(R13*1)
	VMOVUPD Z9, (R10)(R13*2)
	VMOVUPD Z13, (R10)(AX*1)
	LEAQ    (R10)(R13*4), R10
	VMOVUPD Z2, (R10)
	VMOVUPD Z6, (R10)(R13*1)
	VMOVUPD Z10, (R10)(R13*2)
	VMOVUPD Z14, (R10)(AX*1)
	LEAQ    (R10)(R13*4), R10
	VMOVUPD Z3, (R10)
	VMOVUPD Z7, (R10)(R13*1)
	VMOVUPD Z11, (R10)(R13*2)
	VMOVUPD Z15, (R10)(AX*1)
	ADDQ    $64, SI
	ADDQ    $64, DI
	DECQ    CX
	JNZ     sixteen

	LEAQ (DI)(AX*4), DI       // over fifteen strides
	ADDQ AX, DI
	ADDQ $48, BX
	ADDQ $48, DX
	CMPQ DX, end-8(SP)
	JLT  twiddles
	VZEROUPPER
	RET

// func avx512() bool
TEXT ·avx512(SB), NOSPLIT, $0-1
	MOVB $0, ret+0(FP)
	XORL AX, AX
	CPUID
	CMPL AX, $7
	JLT  without
	MOVL $1, AX
	XORL CX, CX
	CPUID
	ANDL $(1<<27), CX
	JEQ  without
	XORL CX, CX
	XGETBV
	ANDL $0xE6, AX            // the system saves ZMM registers and masks, too
	CMPL AX, $0xE6
	JNE  without
	MOVL $7, AX
	XORL CX, CX
	CPUID
	ANDL $(1<<16), BX         // the foundation is all that is needed
	JEQ  without
	MOVB $1, ret+0(FP)

without:
	RET
