"""Frontal crashes: one vehicle, its obstacles, and what its sensors feel."""
