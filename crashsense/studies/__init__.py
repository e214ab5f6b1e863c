"""Studies: questions over many evaluations."""
