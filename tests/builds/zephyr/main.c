#include <stdio.h>

#include "drive.h"

int main(void)
{
    (void)printf("%u steps, hash %s\n", GD_INIT_STEPS_COUNT, GD_HASH_TEXT);
    return 0;
}
