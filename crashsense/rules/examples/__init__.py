"""Examples of rules of your own: block-wise, per sample, and in C."""
