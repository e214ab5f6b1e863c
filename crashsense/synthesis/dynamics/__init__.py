"""Equations of motion that several families share: lumped masses, chains, the half-car."""
