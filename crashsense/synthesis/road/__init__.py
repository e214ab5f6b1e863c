"""Rides: rough roads, single obstacles, the wheels that meet them."""
