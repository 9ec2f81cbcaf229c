/*
 * A unit test of generated tables, to copy into your own project: no framework, no hardware.
 *
 * The header is generated from a stage with --prefix gd. The test proves on your target, with your
 * compiler, that every table agrees with the routines beside it. Exit status: failed checks.
 */
#include <stdio.h>

#include "gd.h"

static unsigned failures;

static void check(bool holds, const char *what, unsigned index)
{
    if (!holds) {
        (void)printf("%s: row %u\n", what, index);
        failures++;
    }
}

/* Every value of a mask and expect pair lies inside the mask. */
static void steps_are_sound(const gd_step_t *steps, unsigned size, const char *what)
{
    unsigned i;
    for (i = 0; i < size; i++) {
        if (steps[i].kind == GD_STEP_EXPECT) {
            check((steps[i].expect & steps[i].mask) == steps[i].expect, what, i);
        }
        check(steps[i].kind <= GD_STEP_MERGE, what, i);
        if (steps[i].kind == GD_STEP_WAIT) {
            check(steps[i].wait_us > 0U, what, i);
        }
    }
}

static void readback_rows_are_sound(void)
{
    unsigned i;
    for (i = 0; i < GD_READBACK_STEPS_COUNT; i++) {
        const gd_step_t *row = &gd_readback_steps[i];
        if (row->kind != GD_STEP_EXPECT) {
            continue; /* a page selected on the way, or bits that must be as they were */
        }
        check(row->mask != 0U, "readback: mask", i);
        check(gd_step_difference(row, row->expect) == 0U, "readback: equal", i);
        check(gd_step_difference(row, (gd_word_t)~row->expect) == row->mask, "readback: differs", i);
    }
}

/* One fault at a time is named as itself; none is named where nothing is raised. */
static void faults_are_named(void)
{
    unsigned i;
    unsigned k;
    for (i = 0; i < GD_FAULT_COUNT; i++) {
        gd_word_t words[GD_STATUS_COUNT] = {0U};
        gd_explained_t found;
        bool named = false;
        if (gd_faults[i].value == 0U) {
            continue; /* raised by a 0: it would be raised together with all its like */
        }
        words[gd_faults[i].status] = gd_faults[i].value;
        check(gd_fault_raised(words, (uint8_t)i), "fault: raised", i);
        gd_explain(words, &found);
        for (k = 0; k < found.count; k++) {
            named = named || (found.fault[k] == i);
        }
        check(named, gd_faults[i].name, i);
        check(found.count <= GD_FAULT_COUNT, "fault: count", i);
    }
}

int main(void)
{
    steps_are_sound(gd_init_steps, GD_INIT_STEPS_COUNT, "init");
    steps_are_sound(gd_readback_steps, GD_READBACK_STEPS_COUNT, "readback");
    readback_rows_are_sound();
    faults_are_named();
    (void)printf("%u checks failed\n", failures);
    return failures > 100U ? 100 : (int)failures;
}
