"""What a sensing location adds to the motion of the body it sits on: modes, ringing, mounting."""
