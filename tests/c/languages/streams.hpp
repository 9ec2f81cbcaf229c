// The chip on the other end of two streams, as header/streams.h of the C programs has it: bursts, waits, marks.
#pragma once

#include <cstddef>
#include <cstdint>
#include <cstdio>

class streams {
public:
    bool transfer(const uint8_t *out, uint8_t *in, size_t size)
    {
        (void)std::putchar('T');
        (void)std::putchar(static_cast<int>(size));
        return (std::fwrite(out, 1, size, stdout) == size) && (std::fflush(stdout) == 0) &&
               (std::fread(in, 1, size, stdin) == size);
    }
    void wait_us(uint32_t us)
    {
        (void)std::putchar('W');
        for (unsigned i = 0U; i < 4U; i++) {
            (void)std::putchar(static_cast<int>((us >> (8U * i)) & 0xFFU));
        }
        (void)std::fflush(stdout);
    }
};
