"""Rollovers and near-rolls: the car on its wheels, tripped or driven to the limit."""
