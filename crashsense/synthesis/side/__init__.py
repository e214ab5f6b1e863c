"""Side and rear crashes: striking face, door, sill and pillar, cabin, door-cavity pressure."""
