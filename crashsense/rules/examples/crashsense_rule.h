/* Interface of a decision rule in a C shared library, version 1.
 *
 * The library is loaded in a process of its own. Two constants are read before anything is called:
 * a wrong version or channel count is refused.
 *
 * Build:  cc -O2 -shared -fPIC -o my_rule.so my_rule.c
 */
#ifndef CRASHSENSE_RULE_H
#define CRASHSENSE_RULE_H

#define CRASHSENSE_RULE_ABI 1

/* Version of this interface that the library was built for: = CRASHSENSE_RULE_ABI. */
extern const int crashsense_rule_abi;

/* Number of channels in a frame. Which ones, in which order and sense, the algorithm file says. */
extern const int crashsense_rule_channel_count;

/* Make a state from the parameters of the algorithm file. NULL: the parameters are refused. */
void *crashsense_rule_init(const double *parameters, int count, double rate_hz);

/* Forget everything; called before the first frame of every evaluation. belted: 0 or 1. */
void crashsense_rule_reset(void *state, int belted);

/* Take one frame (SI units; 0.0 where valid is 0) and return demand: >= 0, 1 fires. */
double crashsense_rule_step(void *state, const double *frame, const unsigned char *valid);

/* Optional: write up to capacity inner values of the last step, return how many. */
int crashsense_rule_trace(const void *state, double *values, int capacity);

/* Optional: release the state. */
void crashsense_rule_free(void *state);

#endif
