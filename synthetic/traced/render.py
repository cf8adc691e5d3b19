"""Light through a scene, by path tracing with Mitsuba 3. The only module here that loads it."""

from __future__ import annotations

import ctypes.util
import importlib
from functools import lru_cache
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np

from synthetic.traced.camera import Camera
from synthetic.traced.light import Lamp, Rig
from synthetic.traced.pairs import Colour
from synthetic.traced.shapes import Array, Look, Surface

_MAX_DEPTH = 5  # bounces; cloth folds and relief need few


def best_variant() -> str:
    """The fastest variant that is sure to run here: vectorised where an LLVM library is found, else scalar."""
    found = ctypes.util.find_library("LLVM") or next(Path("/usr/lib").glob("*/libLLVM*.so*"), None)
    return "llvm_ad_rgb" if found else "scalar_rgb"


@lru_cache(maxsize=1)
def _mitsuba(variant: str) -> ModuleType:
    mitsuba = importlib.import_module("mitsuba")
    mitsuba.set_variant(variant)
    mitsuba.set_log_level(mitsuba.LogLevel.Error)
    return mitsuba


def limit_threads(count: int, variant: str | None = None) -> None:
    """Let rendering use so many cores."""
    mi = _mitsuba(variant or best_variant())
    importlib.import_module("drjit").set_thread_count(count)
    mi.Thread.thread()  # the pool exists from here on


def render(surfaces: list[Surface], camera: Camera, rig: Rig, spp: int, seed: int, variant: str | None = None) -> Array:
    """Linear light (h, w, 3) that reaches the picture.

    Args:
        surfaces: everything there is.
        camera: the lens.
        rig: the light.
        spp: paths a pixel.
        seed: of the paths.
        variant: Mitsuba's, by default the fastest that runs.
    """
    mi = _mitsuba(variant or best_variant())
    scene: dict[str, Any] = {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": _MAX_DEPTH},
        "sensor": _sensor(mi, camera),
        "room": {
            "type": "envmap", "bitmap": mi.Bitmap(np.ascontiguousarray(rig.room)),
            "to_world": mi.ScalarTransform4f().rotate([1, 0, 0], 90),  # its up is y, ours is z
        },
    }  # fmt: skip
    for i, lamp in enumerate(rig.lamps):
        scene[f"lamp_{i}"] = _lamp(mi, lamp)
    for i, surface in enumerate(surfaces):
        scene[f"mesh_{i}"] = _mesh(mi, surface, f"mesh_{i}")
    picture = np.array(mi.render(mi.load_dict(scene), spp=spp, seed=seed), np.float32)
    return np.asarray(picture[..., :3], np.float32)


def _sensor(mi: ModuleType, camera: Camera) -> dict[str, Any]:
    w, h = camera.size_wh
    return {
        "type": "thinlens", "fov": camera.fov_x_deg, "fov_axis": "x", "aperture_radius": camera.lens_radius_mm,
        "focus_distance": camera.focus_mm, "near_clip": 1.0, "far_clip": 1e5,
        "to_world": mi.ScalarTransform4f().look_at(
            origin=camera.eye.tolist(), target=camera.target.tolist(), up=camera.up.tolist()
        ),
        "film": {"type": "hdrfilm", "width": w, "height": h, "rfilter": {"type": "box"}, "component_format": "float32"},
        "sampler": {"type": "independent"},
    }  # fmt: skip


def _lamp(mi: ModuleType, lamp: Lamp) -> dict[str, Any]:
    place = mi.ScalarTransform4f().look_at(origin=list(lamp.at), target=[0, 0, 0], up=[0.01, 1, 0.02])
    return {
        "type": "rectangle", "to_world": place @ mi.ScalarTransform4f().scale(lamp.half_mm),
        "emitter": {"type": "area", "radiance": {"type": "rgb", "value": list(lamp.glow)}},
    }  # fmt: skip


def _mesh(mi: ModuleType, surface: Surface, name: str) -> object:
    properties = mi.Properties()
    properties["bsdf"] = mi.load_dict(_bsdf(mi, surface.look))
    mesh = mi.Mesh(
        name, len(surface.points), len(surface.faces), has_vertex_normals=True, has_vertex_texcoords=True,
        props=properties,
    )  # fmt: skip
    values = mi.traverse(mesh)
    values["vertex_positions"] = np.ascontiguousarray(surface.points, np.float32).ravel()
    values["faces"] = np.ascontiguousarray(surface.faces, np.uint32).ravel()
    uv = np.column_stack([surface.uv[:, 0], surface.uv[:, 1]])
    values["vertex_texcoords"] = np.ascontiguousarray(uv, np.float32).ravel()
    values.update()
    return mesh


def _colour(mi: ModuleType, colour: Colour | Array) -> dict[str, Any]:
    if isinstance(colour, tuple):
        return {"type": "rgb", "value": list(colour)}
    image = np.ascontiguousarray(colour[::-1], np.float32)
    return {"type": "bitmap", "bitmap": mi.Bitmap(image), "raw": True, "wrap_mode": "clamp"}


def _bsdf(mi: ModuleType, look: Look) -> dict[str, Any]:
    """The look as a scattering model; cloth has sheen, coats have a clear layer, metals their measured indices."""
    colour = _colour(mi, look.colour)
    if look.kind in ("copper", "steel"):
        return {
            "type": "twosided",
            "inner": {
                "type": "roughconductor", "material": {"copper": "Cu", "steel": "Cr"}[look.kind],
                "distribution": "ggx", "alpha": look.rough, "specular_reflectance": colour,
            },
        }  # fmt: skip
    extra: dict[str, Any] = {
        "cloth": {"sheen": 0.55, "sheen_tint": 0.6, "specular": 0.25},
        "thread": {"sheen": 0.35, "sheen_tint": 0.8, "specular": 0.5},
        "satin": {"sheen": 0.2, "specular": 0.55, "anisotropic": 0.6},
        "card": {"specular": 0.35, "sheen": 0.1},
        "plain": {"specular": 0.4},
        "paint": {"specular": 0.6, "clearcoat": 0.9, "clearcoat_gloss": 0.85},
        "skin": {"specular": 0.45, "flatness": 0.5, "sheen": 0.1},
    }[look.kind]
    inner = {"type": "principled", "base_color": colour, "roughness": look.rough, **extra}
    return {"type": "twosided", "inner": inner}
