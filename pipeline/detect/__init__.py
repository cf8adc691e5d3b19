"""A photo in, the parts found in it out."""

from pipeline.detect.detector import Detector, load_detector

__all__ = ["Detector", "load_detector"]
