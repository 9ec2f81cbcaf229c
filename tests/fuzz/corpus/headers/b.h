#define A(x) B(x) B(x)
#define B(x) C(x) C(x)
#define C(x) ((x) + 1)
#define STATUS1 A(0x1)
/* comment */ // line
#define LOCK_KEY_LOCKED \
 0x6
