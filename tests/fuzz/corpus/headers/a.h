#define QUOLL16_GATE_HS_ADDR 0x02u
#define GATE_HS_SOURCE_SHIFT (4U)
#define GATE_HS_SOURCE_MASK (0xFu << GATE_HS_SOURCE_SHIFT)
#define BIT(n) (1ul << (n))
enum gate { SOURCE_60MA = 3, SOURCE_120MA, };
typedef struct { uint16_t sink : 4; uint16_t source : 4; uint16_t : 8; } gate_hs_t;
static const uint16_t init[][2] = { { 0x02, 0x21DF }, { QUOLL16_GATE_HS_ADDR, GENMASK(7, 4) } };
#if 0
#define X 1
#endif
