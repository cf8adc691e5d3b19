"""A second renderer, for testing only: path-traced garments that no model, threshold or calibration has ever seen.

It shares the reference sheet and the names of parts and cues with the rest of the project, and nothing else.
Lengths are millimetres; x runs right, y up, z towards the camera; colours are linear RGB.
"""
