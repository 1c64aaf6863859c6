"""The engine around the wheel: phase, cams, outputs, attempts and starting system in crank degrees."""
