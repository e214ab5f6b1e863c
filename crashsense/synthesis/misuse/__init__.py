"""Blows that must not fire: hammers, stones, doors, balls."""
