#include "textflag.h"

DATA size<>+0(SB)/8, $0x7fffffffffffffff
GLOBL size<>(SB), RODATA|NOPTR, $8

DATA infinite<>+0(SB)/8, $0x7ff0000000000000
GLOBL infinite<>(SB), RODATA|NOPTR, $8

// STEPS leaves in Y0 and Y1 the sizes of the steps to eight samples.
#define STEPS(offset) \
	VCVTPS2PD offset(SI), Y0    \
	VCVTPS2PD offset+16(SI), Y1 \
	VCVTPS2PD offset-4(SI), Y2  \
	VCVTPS2PD offset+12(SI), Y3 \
	VSUBPD    Y2, Y0, Y0        \
	VSUBPD    Y3, Y1, Y1        \
	VANDPD    Y15, Y0, Y0       \
	VANDPD    Y15, Y1, Y1

// STEPS64 is STEPS for double precision.
#define STEPS64(offset) \
	VMOVUPD offset(SI), Y0        \
	VMOVUPD offset+32(SI), Y1     \
	VSUBPD  offset-8(SI), Y0, Y0  \
	VSUBPD  offset+24(SI), Y1, Y1 \
	VANDPD  Y15, Y0, Y0           \
	VANDPD  Y15, Y1, Y1

// SPAN takes in eight samples.
#define SPAN(offset) \
	STEPS(offset)                 \
	VMOVUPS offset(SI), Y2        \
	VMINPS  Y2, Y4, Y4            \
	VMAXPS  Y2, Y5, Y5            \
	SIZES

// SPAN64 is SPAN for double precision.
#define SPAN64(offset) \
	STEPS64(offset)               \
	VMOVUPD offset(SI), Y2        \
	VMOVUPD offset+32(SI), Y3     \
	VMINPD  Y2, Y4, Y4            \
	VMAXPD  Y2, Y5, Y5            \
	VMINPD  Y3, Y4, Y4            \
	VMAXPD  Y3, Y5, Y5            \
	SIZES

// SIZES takes in the sizes of eight steps. Steps of 0 become no numbers, for which VMINPD gives its other operand.
#define SIZES \
	VMAXPD  Y0, Y6, Y6            \
	VMAXPD  Y1, Y7, Y7            \
	VCMPPD  $0x00, Y14, Y0, Y2    \
	VCMPPD  $0x00, Y14, Y1, Y3    \
	VORPD   Y2, Y0, Y0            \
	VORPD   Y3, Y1, Y1            \
	VORPD   Y2, Y10, Y10          \
	VORPD   Y3, Y11, Y11          \
	VMINPD  Y8, Y0, Y8            \
	VMINPD  Y9, Y1, Y9

// func stepsAVX2(most *float64, x *float32, blocks int, ends *stepEnds)
TEXT ·stepsAVX2(SB), NOSPLIT, $0-32
	MOVQ         most+0(FP), DI
	MOVQ         x+8(FP), SI
	MOVQ         blocks+16(FP), CX
	MOVQ         ends+24(FP), DX
	VBROADCASTSD size<>(SB), Y15
	VXORPD       Y14, Y14, Y14
	VMOVUPS      (SI), Y4
	VMOVUPS      (SI), Y5
	VBROADCASTSD infinite<>(SB), Y8
	VBROADCASTSD infinite<>(SB), Y9
	VXORPD       Y10, Y10, Y10
	VXORPD       Y11, Y11, Y11

stepsLoop:
	VXORPD       Y6, Y6, Y6
	VXORPD       Y7, Y7, Y7
	SPAN(0)
	SPAN(32)
	SPAN(64)
	SPAN(96)
	VMAXPD       Y7, Y6, Y6
	VEXTRACTF128 $1, Y6, X7
	VMAXPD       X7, X6, X6
	VPERMILPD    $1, X6, X7
	VMAXSD       X7, X6, X6
	VMOVSD       X6, (DI)
	ADDQ         $8, DI
	ADDQ         $128, SI
	DECQ         CX
	JNZ          stepsLoop
	VMINPD       Y9, Y8, Y8
	VORPD        Y11, Y10, Y10
	VMOVUPS      Y4, (DX)
	VMOVUPS      Y5, 32(DX)
	VMOVUPD      Y8, 64(DX)
	VMOVUPD      Y10, 96(DX)
	VZEROUPPER
	RET

// func steps64AVX2(most *float64, x *float64, blocks int, ends *stepEnds64)
TEXT ·steps64AVX2(SB), NOSPLIT, $0-32
	MOVQ         most+0(FP), DI
	MOVQ         x+8(FP), SI
	MOVQ         blocks+16(FP), CX
	MOVQ         ends+24(FP), DX
	VBROADCASTSD size<>(SB), Y15
	VXORPD       Y14, Y14, Y14
	VMOVUPD      (SI), Y4
	VMOVUPD      (SI), Y5
	VBROADCASTSD infinite<>(SB), Y8
	VBROADCASTSD infinite<>(SB), Y9
	VXORPD       Y10, Y10, Y10
	VXORPD       Y11, Y11, Y11

steps64Loop:
	VXORPD       Y6, Y6, Y6
	VXORPD       Y7, Y7, Y7
	SPAN64(0)
	SPAN64(64)
	SPAN64(128)
	SPAN64(192)
	VMAXPD       Y7, Y6, Y6
	VEXTRACTF128 $1, Y6, X7
	VMAXPD       X7, X6, X6
	VPERMILPD    $1, X6, X7
	VMAXSD       X7, X6, X6
	VMOVSD       X6, (DI)
	ADDQ         $8, DI
	ADDQ         $256, SI
	DECQ         CX
	JNZ          steps64Loop
	VMINPD       Y9, Y8, Y8
	VORPD        Y11, Y10, Y10
	VMOVUPD      Y4, (DX)
	VMOVUPD      Y5, 32(DX)
	VMOVUPD      Y8, 64(DX)
	VMOVUPD      Y10, 96(DX)
	VZEROUPPER
	RET

// BELOW counts in Y6 and Y7, downward, the steps to eight samples that are below Y5.
#define BELOW(offset) \
	STEPS(offset)              \
	COUNT

// BELOW64 is BELOW for double precision.
#define BELOW64(offset) \
	STEPS64(offset)            \
	COUNT

#define COUNT \
	VCMPPD $0x11, Y5, Y0, Y0   \
	VCMPPD $0x11, Y5, Y1, Y1   \
	VPADDQ Y0, Y6, Y6          \
	VPADDQ Y1, Y7, Y7

// func smallAVX2(small *uint8, x *float32, limit *float64, blocks int)
TEXT ·smallAVX2(SB), NOSPLIT, $0-32
	MOVQ         small+0(FP), DI
	MOVQ         x+8(FP), SI
	MOVQ         limit+16(FP), DX
	MOVQ         blocks+24(FP), CX
	VBROADCASTSD size<>(SB), Y15

smallLoop:
	VBROADCASTSD (DX), Y5
	VPXOR        Y6, Y6, Y6
	VPXOR        Y7, Y7, Y7
	BELOW(0)
	BELOW(32)
	BELOW(64)
	BELOW(96)
	VPADDQ       Y7, Y6, Y6
	VEXTRACTI128 $1, Y6, X7
	VPADDQ       X7, X6, X6
	VPSHUFD      $0x4e, X6, X7
	VPADDQ       X7, X6, X6
	VMOVQ        X6, AX
	NEGQ         AX
	MOVB         AX, (DI)
	INCQ         DI
	ADDQ         $8, DX
	ADDQ         $128, SI
	DECQ         CX
	JNZ          smallLoop
	VZEROUPPER
	RET

// func small64AVX2(small *uint8, x *float64, limit *float64, blocks int)
TEXT ·small64AVX2(SB), NOSPLIT, $0-32
	MOVQ         small+0(FP), DI
	MOVQ         x+8(FP), SI
	MOVQ         limit+16(FP), DX
	MOVQ         blocks+24(FP), CX
	VBROADCASTSD size<>(SB), Y15

small64Loop:
	VBROADCASTSD (DX), Y5
	VPXOR        Y6, Y6, Y6
	VPXOR        Y7, Y7, Y7
	BELOW64(0)
	BELOW64(64)
	BELOW64(128)
	BELOW64(192)
	VPADDQ       Y7, Y6, Y6
	VEXTRACTI128 $1, Y6, X7
	VPADDQ       X7, X6, X6
	VPSHUFD      $0x4e, X6, X7
	VPADDQ       X7, X6, X6
	VMOVQ        X6, AX
	NEGQ         AX
	MOVB         AX, (DI)
	INCQ         DI
	ADDQ         $8, DX
	ADDQ         $256, SI
	DECQ         CX
	JNZ          small64Loop
	VZEROUPPER
	RET

// func finiteAVX2(x *float32, n int) (worst uint32)
TEXT ·finiteAVX2(SB), NOSPLIT, $0-20
	MOVQ   x+0(FP), SI
	MOVQ   n+8(FP), CX
	VXORPS Y1, Y1, Y1

finiteLoop:
	VMOVUPS      (SI), Y0
	VSUBPS       Y0, Y0, Y0
	VORPS        Y0, Y1, Y1
	ADDQ         $32, SI
	SUBQ         $8, CX
	JNZ          finiteLoop
	VXORPS       Y0, Y0, Y0
	VPCMPEQD     Y0, Y1, Y1
	VMOVMSKPS    Y1, AX
	XORL         $0xff, AX
	MOVL         AX, worst+16(FP)
	VZEROUPPER
	RET

// func finite64AVX2(x *float64, n int) (worst uint32)
TEXT ·finite64AVX2(SB), NOSPLIT, $0-20
	MOVQ   x+0(FP), SI
	MOVQ   n+8(FP), CX
	VXORPD Y1, Y1, Y1

finite64Loop:
	VMOVUPD      (SI), Y0
	VSUBPD       Y0, Y0, Y0
	VORPD        Y0, Y1, Y1
	ADDQ         $32, SI
	SUBQ         $4, CX
	JNZ          finite64Loop
	VXORPD       Y0, Y0, Y0
	VPCMPEQQ     Y0, Y1, Y1
	VMOVMSKPD    Y1, AX
	XORL         $0x0f, AX
	MOVL         AX, worst+16(FP)
	VZEROUPPER
	RET

// func runningAVX2(out *float64, x *float32, n int, first, total float64) float64
TEXT ·runningAVX2(SB), NOSPLIT, $0-48
	MOVQ         out+0(FP), DI
	MOVQ         x+8(FP), SI
	MOVQ         n+16(FP), CX
	VBROADCASTSD first+24(FP), Y4
	VBROADCASTSD total+32(FP), Y5
	VXORPD       Y6, Y6, Y6

runningLoop:
	VCVTPS2PD  (SI), Y0
	VSUBPD     Y4, Y0, Y0
	VPERMPD    $0x90, Y0, Y1
	VBLENDPD   $1, Y6, Y1, Y1
	VADDPD     Y1, Y0, Y0       // a, a+b, b+c, c+d
	VPERM2F128 $0x08, Y0, Y0, Y1
	VADDPD     Y1, Y0, Y0       // and a, a+b to the last two
	VADDPD     Y0, Y5, Y1
	VPERMPD    $0xff, Y0, Y0
	VADDPD     Y0, Y5, Y5
	VMOVUPD    Y1, (DI)
	ADDQ       $32, DI
	ADDQ       $16, SI
	SUBQ       $4, CX
	JNZ        runningLoop
	VMOVSD     X5, ret+40(FP)
	VZEROUPPER
	RET

// MEAN leaves a window's mean at four samples in Y0.
#define MEAN(left, right, before, after, first, within, ends) \
	VCVTPS2PD (left)(AX*4), Y0       \
	VCVTPS2PD (right)(AX*4), Y1      \
	VMOVUPD   (after)(AX*8), Y2      \
	VSUBPD    first, Y0, Y0          \
	VSUBPD    first, Y1, Y1          \
	VSUBPD    (before)(AX*8), Y2, Y2 \
	VADDPD    Y1, Y0, Y0             \
	VMULPD    within, Y2, Y2         \
	VMULPD    ends, Y0, Y0           \
	VADDPD    Y0, Y2, Y0

// MEAN64 is MEAN for double precision.
#define MEAN64(left, right, before, after, first, within, ends) \
	VMOVUPD (left)(AX*8), Y0         \
	VMOVUPD (right)(AX*8), Y1        \
	VMOVUPD (after)(AX*8), Y2        \
	VSUBPD  first, Y0, Y0          \
	VSUBPD  first, Y1, Y1          \
	VSUBPD  (before)(AX*8), Y2, Y2 \
	VADDPD  Y1, Y0, Y0             \
	VMULPD  within, Y2, Y2         \
	VMULPD  ends, Y0, Y0           \
	VADDPD  Y0, Y2, Y0

// func contrastAVX2(l *[4]float64, n int, a, b *Around[float32])
// Around has four slices, of 24 bytes each, then First, Within and Ends.
TEXT ·contrastAVX2(SB), NOSPLIT, $0-32
	MOVQ         l+0(FP), DI
	MOVQ         n+8(FP), CX
	MOVQ         a+16(FP), DX
	MOVQ         (DX), R8
	MOVQ         24(DX), R9
	MOVQ         48(DX), R10
	MOVQ         72(DX), R11
	VBROADCASTSD 96(DX), Y5
	VBROADCASTSD 104(DX), Y6
	VBROADCASTSD 112(DX), Y7
	MOVQ         b+24(FP), DX
	MOVQ         (DX), R12
	MOVQ         24(DX), R13
	MOVQ         48(DX), BX
	MOVQ         72(DX), SI
	VBROADCASTSD 96(DX), Y8
	VBROADCASTSD 104(DX), Y9
	VBROADCASTSD 112(DX), Y10
	VMOVUPD      (DI), Y4
	XORQ         AX, AX

contrastLoop:
	MEAN(R8, R9, R10, R11, Y5, Y6, Y7)
	VMOVAPD Y0, Y3
	MEAN(R12, R13, BX, SI, Y8, Y9, Y10)
	VSUBPD  Y0, Y3, Y0
	VMULPD  Y0, Y0, Y0
	VADDPD  Y0, Y4, Y4
	ADDQ    $4, AX
	CMPQ    AX, CX
	JLT     contrastLoop
	VMOVUPD Y4, (DI)
	VZEROUPPER
	RET

// func contrast64AVX2(l *[4]float64, n int, a, b *Around[float64])
// Around has four slices, of 24 bytes each, then First, Within and Ends.
TEXT ·contrast64AVX2(SB), NOSPLIT, $0-32
	MOVQ         l+0(FP), DI
	MOVQ         n+8(FP), CX
	MOVQ         a+16(FP), DX
	MOVQ         (DX), R8
	MOVQ         24(DX), R9
	MOVQ         48(DX), R10
	MOVQ         72(DX), R11
	VBROADCASTSD 96(DX), Y5
	VBROADCASTSD 104(DX), Y6
	VBROADCASTSD 112(DX), Y7
	MOVQ         b+24(FP), DX
	MOVQ         (DX), R12
	MOVQ         24(DX), R13
	MOVQ         48(DX), BX
	MOVQ         72(DX), SI
	VBROADCASTSD 96(DX), Y8
	VBROADCASTSD 104(DX), Y9
	VBROADCASTSD 112(DX), Y10
	VMOVUPD      (DI), Y4
	XORQ         AX, AX

contrast64Loop:
	MEAN64(R8, R9, R10, R11, Y5, Y6, Y7)
	VMOVAPD Y0, Y3
	MEAN64(R12, R13, BX, SI, Y8, Y9, Y10)
	VSUBPD  Y0, Y3, Y0
	VMULPD  Y0, Y0, Y0
	VADDPD  Y0, Y4, Y4
	ADDQ    $4, AX
	CMPQ    AX, CX
	JLT     contrast64Loop
	VMOVUPD Y4, (DI)
	VZEROUPPER
	RET

// func apartAVX2(x *float32, blocks int) int
TEXT ·apartAVX2(SB), NOSPLIT, $0-24
	MOVQ x+0(FP), SI
	MOVQ blocks+8(FP), CX
	XORQ AX, AX

apartLoop:
	VMOVUPS   (SI), Y0
	VMOVUPS   32(SI), Y1
	VMOVUPS   64(SI), Y2
	VMOVUPS   96(SI), Y3
	VCMPPS    $0x00, -4(SI), Y0, Y0
	VCMPPS    $0x00, 28(SI), Y1, Y1
	VCMPPS    $0x00, 60(SI), Y2, Y2
	VCMPPS    $0x00, 92(SI), Y3, Y3
	VORPS     Y1, Y0, Y0
	VORPS     Y3, Y2, Y2
	VORPS     Y2, Y0, Y0
	VMOVMSKPS Y0, DX
	TESTL     DX, DX
	JNZ       apartEnd
	ADDQ      $128, SI
	INCQ      AX
	CMPQ      AX, CX
	JLT       apartLoop

apartEnd:
	MOVQ AX, ret+16(FP)
	VZEROUPPER
	RET
