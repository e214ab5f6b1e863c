"""Examples of user-defined rules: block-wise, per sample, and in C."""
