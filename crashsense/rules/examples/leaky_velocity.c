/* Example: leaky, floored velocity change of one channel.
 * Parameters: threshold [m/s], leak [m/s^2]. Twin of LeakyVelocity in per_sample_rule.py.
 */
#include "crashsense_rule.h"

#include <stdlib.h>

const int crashsense_rule_abi = CRASHSENSE_RULE_ABI;
const int crashsense_rule_channel_count = 1;

struct state {
    double threshold, leak, step, velocity;
};

void *crashsense_rule_init(const double *parameters, int count, double rate_hz)
{
    struct state *s;
    if (count != 2 || !(parameters[0] > 0.0) || parameters[1] < 0.0)
        return NULL;
    s = malloc(sizeof *s);
    if (s != NULL) {
        s->threshold = parameters[0];
        s->leak = parameters[1];
        s->step = 1.0 / rate_hz;
        s->velocity = 0.0;
    }
    return s;
}

void crashsense_rule_reset(void *state, int belted)
{
    (void)belted;
    ((struct state *)state)->velocity = 0.0;
}

double crashsense_rule_step(void *state, const double *frame, const unsigned char *valid)
{
    struct state *s = state;
    s->velocity += (frame[0] - s->leak) * s->step;
    if (s->velocity < 0.0)
        s->velocity = 0.0;
    return valid[0] ? s->velocity / s->threshold : 0.0;
}

int crashsense_rule_trace(const void *state, double *values, int capacity)
{
    if (capacity < 1)
        return 0;
    values[0] = ((const struct state *)state)->velocity;
    return 1;
}

void crashsense_rule_free(void *state)
{
    free(state);
}
