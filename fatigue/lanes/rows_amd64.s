#include "textflag.h"

// EIGHTROWS adds products of the taps in Y8 with eight rows.
#define EIGHTROWS \
	VMULPD (SI), Y8, Y9          \
	VMULPD (SI)(R9*1), Y8, Y10   \
	VMULPD (SI)(R9*2), Y8, Y11   \
	VMULPD (SI)(R10*1), Y8, Y12  \
	VADDPD Y9, Y0, Y0            \
	VADDPD Y10, Y1, Y1           \
	VADDPD Y11, Y2, Y2           \
	VADDPD Y12, Y3, Y3           \
	VMULPD (R8), Y8, Y13         \
	VMULPD (R8)(R9*1), Y8, Y14   \
	VMULPD (R8)(R9*2), Y8, Y15   \
	VMULPD (R8)(R10*1), Y8, Y9   \
	VADDPD Y13, Y4, Y4           \
	VADDPD Y14, Y5, Y5           \
	VADDPD Y15, Y6, Y6           \
	VADDPD Y9, Y7, Y7

// MASKED is one row's product of what is left over: the mask is in Y9, the taps in Y8.
#define MASKED(from, sum) \
	VMASKMOVPD from, Y9, Y10  \
	VMULPD     Y8, Y10, Y10   \
	VADDPD     Y10, sum, sum

// JOIN adds up the lanes of a sum and writes it.
#define JOIN(sum, low) \
	VEXTRACTF128 $1, sum, X8  \
	VADDPD       X8, low, low \
	VUNPCKHPD    low, low, X8 \
	VADDSD       X8, low, low \
	VMOVSD       low, (DI)    \
	ADDQ         R11, DI

// func rowsAVX2(dst *float64, period int, x *float64, stride int, taps *float64, n int, mask *[4]int64)
TEXT ·rowsAVX2(SB), NOSPLIT, $0-56
	MOVQ   dst+0(FP), DI
	MOVQ   period+8(FP), R11
	MOVQ   x+16(FP), SI
	MOVQ   stride+24(FP), R9
	MOVQ   taps+32(FP), DX
	MOVQ   n+40(FP), CX
	SHLQ   $3, R11
	SHLQ   $3, R9
	LEAQ   (R9)(R9*2), R10
	LEAQ   (SI)(R9*4), R8
	VXORPD Y0, Y0, Y0
	VXORPD Y1, Y1, Y1
	VXORPD Y2, Y2, Y2
	VXORPD Y3, Y3, Y3
	VXORPD Y4, Y4, Y4
	VXORPD Y5, Y5, Y5
	VXORPD Y6, Y6, Y6
	VXORPD Y7, Y7, Y7
	SUBQ   $4, CX
	JLT    rowsRest

rowsLoop:
	VMOVUPD (DX), Y8
	EIGHTROWS
	ADDQ    $32, DX
	ADDQ    $32, SI
	ADDQ    $32, R8
	SUBQ    $4, CX
	JGE     rowsLoop

rowsRest:
	ADDQ       $4, CX
	JZ         rowsJoin
	MOVQ       mask+48(FP), AX
	VMOVUPD    (AX), Y9
	VMASKMOVPD (DX), Y9, Y8
	MASKED((SI), Y0)
	MASKED((SI)(R9*1), Y1)
	MASKED((SI)(R9*2), Y2)
	MASKED((SI)(R10*1), Y3)
	MASKED((R8), Y4)
	MASKED((R8)(R9*1), Y5)
	MASKED((R8)(R9*2), Y6)
	MASKED((R8)(R10*1), Y7)

rowsJoin:
	JOIN(Y0, X0)
	JOIN(Y1, X1)
	JOIN(Y2, X2)
	JOIN(Y3, X3)
	JOIN(Y4, X4)
	JOIN(Y5, X5)
	JOIN(Y6, X6)
	JOIN(Y7, X7)
	VZEROUPPER
	RET

// PAIR adds products of a row with both sets of taps, in Y8 and Y9.
#define PAIR(from, first, second) \
	VMOVUPD from, Y10           \
	VMULPD  Y10, Y8, Y11        \
	VMULPD  Y10, Y9, Y12        \
	VADDPD  Y11, first, first   \
	VADDPD  Y12, second, second

// JOINPAIR adds up the lanes of two sums and writes both.
#define JOINPAIR(first, low, second, high) \
	VEXTRACTF128 $1, first, X8    \
	VEXTRACTF128 $1, second, X9   \
	VADDPD       X8, low, low     \
	VADDPD       X9, high, high   \
	VUNPCKLPD    high, low, X10   \
	VUNPCKHPD    high, low, X11   \
	VADDPD       X11, X10, X10    \
	VMOVUPD      X10, (DI)        \
	ADDQ         R11, DI

// func rowPairsAVX2(dst *float64, period int, x *float64, stride int, taps *float64, n int)
TEXT ·rowPairsAVX2(SB), NOSPLIT, $0-48
	MOVQ   dst+0(FP), DI
	MOVQ   period+8(FP), R11
	MOVQ   x+16(FP), SI
	MOVQ   stride+24(FP), R9
	MOVQ   taps+32(FP), DX
	MOVQ   n+40(FP), CX
	LEAQ   (DX)(CX*8), R8
	SHLQ   $3, R11
	SHLQ   $3, R9
	LEAQ   (R9)(R9*2), R10
	VXORPD Y0, Y0, Y0
	VXORPD Y1, Y1, Y1
	VXORPD Y2, Y2, Y2
	VXORPD Y3, Y3, Y3
	VXORPD Y4, Y4, Y4
	VXORPD Y5, Y5, Y5
	VXORPD Y6, Y6, Y6
	VXORPD Y7, Y7, Y7

pairsLoop:
	VMOVUPD (DX), Y8
	VMOVUPD (R8), Y9
	PAIR((SI), Y0, Y4)
	PAIR((SI)(R9*1), Y1, Y5)
	PAIR((SI)(R9*2), Y2, Y6)
	PAIR((SI)(R10*1), Y3, Y7)
	ADDQ    $32, DX
	ADDQ    $32, R8
	ADDQ    $32, SI
	SUBQ    $4, CX
	JNZ     pairsLoop
	JOINPAIR(Y0, X0, Y4, X4)
	JOINPAIR(Y1, X1, Y5, X5)
	JOINPAIR(Y2, X2, Y6, X6)
	JOINPAIR(Y3, X3, Y7, X7)
	VZEROUPPER
	RET
