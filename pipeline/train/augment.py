"""Augmentation of crops and detector photos with albumentations: what lamps, lenses and uploads do.

Every transform belongs to a family, and any family can be left out; what is left stays as likely as it was.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import albumentations as A

from pipeline.cutting import PAD_GREY
from pipeline.train.families import NO_FAMILY, Families, Family

Transform = Any  # of albumentations, which ships no types
_Member = tuple[Family, Transform]


def crop_augmentation(strength: float = 1.0, without: Families = NO_FAMILY) -> A.Compose:
    """Light, colour, blur, noise and compression of a crop; geometry stays, as boxes and points are targets.

    Args:
        strength: 0 switches everything off, 1 is the default mix.
        without: families left out.
    """
    return A.Compose([transform for _, transform in crop_transforms(strength, without)])


def crop_transforms(strength: float = 1.0, without: Families = NO_FAMILY) -> list[_Member]:
    """The transforms of `crop_augmentation` in their order, each with its family."""
    s = strength
    steps = [
        (Family.EXPOSURE, A.OneOf([
            A.RandomBrightnessContrast(0.3 * s, 0.35 * s, p=1.0),
            A.RandomGamma(gamma_limit=(60, 160), p=1.0),
            A.CLAHE(clip_limit=(1, 3), p=0.5),
        ], p=0.6 * s)),
        (Family.COLOUR, A.OneOf([
            A.HueSaturationValue(6, 25, 10, p=1.0),
            A.RGBShift(18, 12, 18, p=1.0),
            A.PlanckianJitter(p=1.0),
        ], p=0.4 * s)),
        (Family.OPTICS, A.OneOf([
            A.GaussianBlur(blur_limit=(3, 5), p=1.0),
            A.MotionBlur(blur_limit=(3, 7), p=1.0),
            A.Downscale(scale_range=(0.45, 0.8), p=1.0),
            A.Sharpen(alpha=(0.1, 0.4), lightness=(0.6, 1.0), p=1.0),
        ], p=0.3 * s)),
        (Family.NOISE, A.OneOf([
            A.GaussNoise(std_range=(0.01, 0.06), p=1.0),
            A.ISONoise(color_shift=(0.01, 0.04), intensity=(0.1, 0.4), p=1.0),
            A.MultiplicativeNoise((0.88, 1.12), per_channel=True, elementwise=True, p=0.5),
        ], p=0.3 * s)),
        (Family.COMPRESSION, A.ImageCompression(quality_range=(45, 95), p=0.35 * s)),
        (Family.OCCLUSION, A.CoarseDropout(
            num_holes_range=(1, 2), hole_height_range=(0.04, 0.14), hole_width_range=(0.04, 0.14),
            fill="random_uniform", p=0.12 * s,
        )),
        (Family.SHADOW, A.RandomShadow(
            shadow_roi=(0, 0, 1, 1), num_shadows_limit=(1, 1), shadow_intensity_range=(0.2, 0.5), p=0.12 * s
        )),
        (Family.COLOUR, A.ToGray(p=0.02 * s)),
    ]  # fmt: skip
    return [(family, transform) for family, transform in steps if family not in without]


def photo_augmentation(strength: float = 1.0, without: Families = NO_FAMILY) -> A.Compose:
    """As for crops, with turns and scale: the detector must find parts however they lie."""
    boxes = A.BboxParams(
        format="pascal_voc", label_fields=["labels"], min_visibility=0.4, min_width=3, min_height=3, clip=True
    )
    transforms = [transform for _, transform in photo_transforms(strength, without)]
    # Where nothing is left that moves boxes, what does nothing to them keeps the library from warning about it.
    return A.Compose([*transforms, A.NoOp()], bbox_params=boxes)


def photo_transforms(strength: float = 1.0, without: Families = NO_FAMILY) -> list[_Member]:
    """The transforms of `photo_augmentation` in their order, each with its family; blur, noise and JPEG one at most."""
    s = strength
    steps = [
        (Family.MOVES, A.Affine(
            scale=(0.7, 1.2), translate_percent=(-0.1, 0.1), rotate=(-8, 8), fill=PAD_GREY, p=0.5
        )),
        (Family.MOVES, A.RandomRotate90(p=0.12)),
        (Family.EXPOSURE, A.RandomBrightnessContrast(0.3 * s, 0.3 * s, p=0.4 * s)),
        (Family.COLOUR, A.OneOf([
            A.HueSaturationValue(10, 30, 10, p=1.0), A.RGBShift(20, 15, 20, p=1.0), A.ToGray(p=0.3)
        ], p=0.4 * s)),
    ]  # fmt: skip
    kept = [(family, transform) for family, transform in steps if family not in without]
    spoilt = (
        (Family.OPTICS, A.GaussianBlur(blur_limit=(3, 5), p=1.0)),
        (Family.NOISE, A.GaussNoise(std_range=(0.01, 0.06), p=1.0)),
        (Family.COMPRESSION, A.ImageCompression(quality_range=(40, 90), p=1.0)),
    )
    return kept + _one_of(spoilt, 0.3 * s, without)


def _one_of(members: Sequence[_Member], p: float, without: Families) -> list[_Member]:
    """One of the members that are left, each as likely as if none had been left out; under the first one's family."""
    left = [(family, transform) for family, transform in members if family not in without]
    if not left:
        return []
    return [(left[0][0], A.OneOf([transform for _, transform in left], p=p * len(left) / len(members)))]
