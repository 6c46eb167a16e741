/* sanitize.c: what code compiled with -fsanitize=undefined calls when a check fails. The first
 * thing that each is given begins with the place in the source; that, and the name, is all that a
 * report needs. The names and that layout are the compiler's interface to its own run-time library.
 */
#include <stdint.h>

#include "inside.h"

struct place {
    const char *file;
    uint32_t line, column;
};

#define CHECK(name, text)                                    \
    void __ubsan_handle_##name(struct place *place)          \
    {                                                        \
        firmware_fail("undefined behaviour: " text,          \
                      place->file, (int)place->line);        \
    }

CHECK(add_overflow_abort, "signed addition overflows")
CHECK(sub_overflow_abort, "signed subtraction overflows")
CHECK(mul_overflow_abort, "signed multiplication overflows")
CHECK(negate_overflow_abort, "negation overflows")
CHECK(divrem_overflow_abort, "division by zero or overflowing division")
CHECK(shift_out_of_bounds_abort, "shift by more bits than there are, or of a negative number")
CHECK(out_of_bounds_abort, "array index out of bounds")
CHECK(type_mismatch_v1_abort, "null, misaligned or too small object accessed")
CHECK(pointer_overflow_abort, "pointer arithmetic overflows")
CHECK(load_invalid_value_abort, "value that its bool or enum cannot have")
CHECK(vla_bound_not_positive_abort, "array of variable length with no elements")
CHECK(float_cast_overflow_abort, "floating-point number does not fit the integer")
CHECK(nonnull_arg_abort, "null given where it is not allowed")
CHECK(nullability_arg_abort, "null given where it is not allowed")
CHECK(invalid_builtin_abort, "built-in function with an argument it does not take")
CHECK(alignment_assumption_abort, "pointer less aligned than promised")
CHECK(builtin_unreachable, "place reached that should be unreachable")
CHECK(missing_return, "function ends without returning its value")

void __ubsan_handle_nonnull_return_v1_abort(void *what, struct place *place)
{
    (void)what;
    firmware_fail("undefined behaviour: null returned where it is not allowed", place->file,
                  (int)place->line);
}
