#include "textflag.h"

DATA one<>+0(SB)/8, $1.0
GLOBL one<>(SB), RODATA|NOPTR, $8

// LANES surveys the four samples at off(SI).
//
// The least of two is the second one where one is no number.
#define LANES(off, SQUARES, LOW, HIGH) \
	VMOVUPD off(SI), Y8            \
	VCMPPD  $0, off-8(SI), Y8, Y9  \ // equal to the one in front
	VANDPD  Y15, Y9, Y9            \
	VADDPD  Y9, Y6, Y6             \
	VMINPD  LOW, Y8, LOW           \
	VMAXPD  HIGH, Y8, HIGH         \
	VMULPD  Y8, Y8, Y8             \
	VADDPD  Y8, SQUARES, SQUARES

// func stepsWide(x []float64, s *surveyed)
TEXT ·stepsWide(SB), NOSPLIT, $0-32
	MOVQ x_base+0(FP), SI
	MOVQ x_len+8(FP), CX
	MOVQ s+24(FP), DI
	SHRQ $3, CX               // steps, for there is one sample more
	VXORPD Y0, Y0, Y0
	VXORPD Y1, Y1, Y1
	VBROADCASTSD (SI), Y2
	VMOVAPD Y2, Y3
	VMOVAPD Y2, Y4
	VMOVAPD Y2, Y5
	VXORPD Y6, Y6, Y6
	VBROADCASTSD one<>(SB), Y15

step:
	LANES(8, Y0, Y2, Y4)
	LANES(40, Y1, Y3, Y5)
	ADDQ $64, SI
	DECQ CX
	JNZ  step

	VMOVUPD Y0, (DI)
	VMOVUPD Y1, 32(DI)
	VMOVUPD Y2, 64(DI)
	VMOVUPD Y3, 96(DI)
	VMOVUPD Y4, 128(DI)
	VMOVUPD Y5, 160(DI)
	VMOVUPD Y6, 192(DI)
	VZEROUPPER
	RET
