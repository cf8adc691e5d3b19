"""Augmentation of crops and detector photos with albumentations: what lamps, lenses and uploads do."""

from __future__ import annotations

import albumentations as A

from pipeline.cutting import PAD_GREY


def crop_augmentation(strength: float = 1.0) -> A.Compose:
    """Light, colour, blur, noise and compression of a crop; geometry stays, as boxes and points are targets.

    Args:
        strength: 0 switches everything off, 1 is the default mix.
    """
    s = strength
    return A.Compose([
        A.OneOf([
            A.RandomBrightnessContrast(0.3 * s, 0.35 * s, p=1.0),
            A.RandomGamma(gamma_limit=(60, 160), p=1.0),
            A.CLAHE(clip_limit=(1, 3), p=0.5),
        ], p=0.6 * s),
        A.OneOf([
            A.HueSaturationValue(6, 25, 10, p=1.0),
            A.RGBShift(18, 12, 18, p=1.0),
            A.PlanckianJitter(p=1.0),
        ], p=0.4 * s),
        A.OneOf([
            A.GaussianBlur(blur_limit=(3, 5), p=1.0),
            A.MotionBlur(blur_limit=(3, 7), p=1.0),
            A.Downscale(scale_range=(0.45, 0.8), p=1.0),
            A.Sharpen(alpha=(0.1, 0.4), lightness=(0.6, 1.0), p=1.0),
        ], p=0.3 * s),
        A.OneOf([
            A.GaussNoise(std_range=(0.01, 0.06), p=1.0),
            A.ISONoise(color_shift=(0.01, 0.04), intensity=(0.1, 0.4), p=1.0),
            A.MultiplicativeNoise((0.88, 1.12), per_channel=True, elementwise=True, p=0.5),
        ], p=0.3 * s),
        A.ImageCompression(quality_range=(45, 95), p=0.35 * s),
        A.CoarseDropout(
            num_holes_range=(1, 2), hole_height_range=(0.04, 0.14), hole_width_range=(0.04, 0.14),
            fill="random_uniform", p=0.12 * s,
        ),
        A.RandomShadow(
            shadow_roi=(0, 0, 1, 1), num_shadows_limit=(1, 1), shadow_intensity_range=(0.2, 0.5), p=0.12 * s
        ),
        A.ToGray(p=0.02 * s),
    ])  # fmt: skip


def photo_augmentation(strength: float = 1.0) -> A.Compose:
    """As for crops, with turns, mirror and scale: the detector must find parts however they lie."""
    s = strength
    boxes = A.BboxParams(
        format="pascal_voc", label_fields=["labels"], min_visibility=0.4, min_width=3, min_height=3, clip=True
    )
    return A.Compose([
        A.Affine(scale=(0.7, 1.2), translate_percent=(-0.1, 0.1), rotate=(-8, 8), fill=PAD_GREY, p=0.5),
        A.RandomRotate90(p=0.12),
        A.RandomBrightnessContrast(0.3 * s, 0.3 * s, p=0.4 * s),
        A.OneOf([A.HueSaturationValue(10, 30, 10, p=1.0), A.RGBShift(20, 15, 20, p=1.0), A.ToGray(p=0.3)], p=0.4 * s),
        A.OneOf([
            A.GaussianBlur(blur_limit=(3, 5), p=1.0),
            A.GaussNoise(std_range=(0.01, 0.06), p=1.0),
            A.ImageCompression(quality_range=(40, 90), p=1.0),
        ], p=0.3 * s),
    ], bbox_params=boxes)  # fmt: skip
