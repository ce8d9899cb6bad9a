"""Materials of the renderings, by name: sheets, rivets, sealant, water, dirt. Needs Blender's module bpy."""

import math

import bpy
import numpy as np

# Base colour (linear RGB), metallic, roughness, and what varies them: noise scale per mm and its strength.
SHEETS = {
    "spangled": ((0.56, 0.57, 0.58), 1.0, 0.34, 0.12, 0.25),
    "brushed": ((0.62, 0.61, 0.58), 1.0, 0.28, 0.4, 0.06),
    "copper": ((0.68, 0.34, 0.20), 1.0, 0.38, 0.03, 0.25),
    "zinc": ((0.33, 0.34, 0.36), 0.7, 0.55, 0.05, 0.15),
    "gloss white": ((0.78, 0.78, 0.76), 0.0, 0.12, 0.02, 0.03),
    "gloss black": ((0.012, 0.012, 0.013), 0.0, 0.10, 0.02, 0.05),
    "matt charcoal": ((0.035, 0.037, 0.04), 0.0, 0.6, 0.05, 0.15),
    "textured brown": ((0.09, 0.045, 0.025), 0.0, 0.5, 1.5, 0.25),
    "green": ((0.03, 0.10, 0.06), 0.0, 0.35, 0.03, 0.15),
    "red": ((0.26, 0.03, 0.025), 0.0, 0.3, 0.03, 0.12),
    "sand": ((0.42, 0.34, 0.23), 0.0, 0.4, 0.06, 0.10),
    "blue": ((0.03, 0.07, 0.2), 0.0, 0.3, 0.03, 0.12),
}
HEADS = {
    "bright": ((0.85, 0.86, 0.87), 1.0, 0.10),
    "dull": ((0.55, 0.55, 0.56), 1.0, 0.42),
    "stainless": ((0.58, 0.56, 0.53), 1.0, 0.2),
    "copper": ((0.8, 0.42, 0.28), 1.0, 0.22),
}
STUFF = {
    "mandrel": ((0.16, 0.15, 0.14), 1.0, 0.5),
    "zinc plate": ((0.6, 0.6, 0.55), 1.0, 0.3),
    "washer": ((0.03, 0.03, 0.03), 0.0, 0.6),
    "white sealant": ((0.75, 0.75, 0.72), 0.0, 0.22),
    "grey sealant": ((0.3, 0.3, 0.3), 0.0, 0.3),
    "clear sealant": ((0.5, 0.5, 0.48), 0.0, 0.08),
    "mud": ((0.12, 0.08, 0.05), 0.0, 0.9),
    "rust": ((0.2, 0.06, 0.02), 0.0, 0.9),
    "chalk": ((0.75, 0.73, 0.7), 0.0, 0.9),
    "pencil": ((0.05, 0.05, 0.055), 0.2, 0.5),
    "scratch": ((0.75, 0.75, 0.75), 1.0, 0.3),
    "void": ((0.002, 0.002, 0.002), 0.0, 1.0),
    "leaf": ((0.22, 0.10, 0.03), 0.0, 0.6),
    "grass": ((0.04, 0.07, 0.02), 0.0, 1.0),
    "cloth": ((0.08, 0.09, 0.16), 0.0, 0.9),
    "tree": ((0.02, 0.035, 0.012), 0.0, 1.0),
}


def make_sheet(finish: str, rng: np.random.Generator, stray: float = 0.0) -> bpy.types.Material:
    """Return the flange's material; metals differ by how the noise is stretched and shaped.

    ``stray`` is how far colour and roughness leave the finish's own, as the deviation of their logarithms.
    """
    colour, metallic, roughness, scale, depth = SHEETS[finish]
    if stray:
        colour, roughness = _strayed(rng, colour, stray), roughness * math.exp(rng.normal(0.0, stray))
    material, shader = _principled(finish, colour, metallic, roughness * rng.uniform(0.8, 1.25))
    tree = material.node_tree
    place = tree.nodes.new("ShaderNodeTexCoord")
    stretch = tree.nodes.new("ShaderNodeMapping")
    stretch.inputs["Scale"].default_value = (0.03, 1.0, 1.0) if finish == "brushed" else (0.6, 1.0, 1.0)
    tree.links.new(place.outputs["Object"], stretch.inputs["Vector"])
    kind = "ShaderNodeTexVoronoi" if finish == "spangled" else "ShaderNodeTexNoise"
    noise = tree.nodes.new(kind)
    # Objects are in units of 10 mm.
    noise.inputs["Scale"].default_value = scale * 10.0
    tree.links.new(stretch.outputs["Vector"], noise.inputs["Vector"])
    value = noise.outputs["Color" if finish == "spangled" else 0]
    mix = tree.nodes.new("ShaderNodeMixRGB")
    mix.inputs["Color1"].default_value = (*[c * (1.0 - depth) for c in colour], 1.0)
    mix.inputs["Color2"].default_value = (*[min(1.0, c * (1.0 + depth)) for c in colour], 1.0)
    tree.links.new(value, mix.inputs["Fac"])
    tree.links.new(mix.outputs["Color"], shader.inputs["Base Color"])
    if finish in ("textured brown", "spangled", "brushed"):
        bump = tree.nodes.new("ShaderNodeBump")
        bump.inputs["Strength"].default_value = 0.35 if finish == "textured brown" else 0.06
        bump.inputs["Distance"].default_value = 0.02
        tree.links.new(value, bump.inputs["Height"])
        tree.links.new(bump.outputs["Normal"], shader.inputs["Normal"])
    return material


def make_head(finish: str, sheet: str, rng: np.random.Generator, stray: float = 0.0) -> bpy.types.Material:
    """Return the rivets' material: a metal, or the sheet's own paint a little off; ``stray`` as above."""
    if finish != "matched":
        colour, metallic, roughness = HEADS[finish]
        if stray:
            colour, roughness = _strayed(rng, colour, stray), roughness * math.exp(rng.normal(0.0, stray))
        return _principled("head", colour, metallic, roughness * rng.uniform(0.7, 1.5))[0]
    colour, metallic, roughness, _, _ = SHEETS[sheet]
    off = tuple(min(0.95, c * rng.uniform(0.85, 1.2)) for c in colour)
    return _principled("head", off, metallic, roughness * rng.uniform(0.7, 1.3))[0]


def make(name: str) -> bpy.types.Material:
    """Return a material of `STUFF`, made once."""
    found = bpy.data.materials.get(name)
    return found if found is not None else _principled(name, *STUFF[name])[0]


def make_water() -> bpy.types.Material:
    """Return clear water."""
    material, shader = _principled("water", (1.0, 1.0, 1.0), 0.0, 0.0)
    shader.inputs["Transmission Weight"].default_value = 1.0
    shader.inputs["IOR"].default_value = 1.333
    return material


def make_print(picture: np.ndarray) -> bpy.types.Material:
    """Return a matt print of a grey picture, shape (H, W), 0 to 1, its first row at the top."""
    material, shader = _principled("print", (0.8, 0.8, 0.8), 0.0, 0.5)
    image = bpy.data.images.new("print", picture.shape[1], picture.shape[0], float_buffer=True)
    image.colorspace_settings.name = "Non-Color"
    pixels = np.ones((*picture.shape, 4), dtype=np.float32)
    pixels[:, :, :3] = picture[::-1, :, None]
    image.pixels.foreach_set(pixels.ravel())
    texture = material.node_tree.nodes.new("ShaderNodeTexImage")
    texture.image = image
    material.node_tree.links.new(texture.outputs["Color"], shader.inputs["Base Color"])
    return material


def _strayed(rng: np.random.Generator, colour: tuple[float, ...], stray: float) -> tuple[float, ...]:
    """Return a colour somewhat lighter or darker, and somewhat tinted."""
    factors = np.exp(rng.normal(0.0, stray) + rng.normal(0.0, 0.5 * stray, 3))
    return tuple(np.clip(np.array(colour) * factors, 0.005, 0.95).tolist())


def _principled(
    name: str, colour: tuple[float, ...], metallic: float, roughness: float
) -> tuple[bpy.types.Material, bpy.types.Node]:
    material = bpy.data.materials.new(name)
    material.use_nodes = True
    shader = material.node_tree.nodes["Principled BSDF"]
    shader.inputs["Base Color"].default_value = (*colour, 1.0)
    shader.inputs["Metallic"].default_value = metallic
    shader.inputs["Roughness"].default_value = float(min(roughness, 1.0))
    return material, shader
