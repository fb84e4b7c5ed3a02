"""Pictures as slate frames and scenes give them, made with Pillow."""

from __future__ import annotations

import random

from PIL import Image, ImageDraw, ImageFilter

SIZE = (160, 120)


def scene(seed: int) -> Image.Image:
    """Quays and masts by day."""
    chance = random.Random(seed)
    found = Image.new("RGB", SIZE, (150, 170, 200))
    draw = ImageDraw.Draw(found)
    for _ in range(25):
        x, y = chance.randrange(160), chance.randrange(40, 120)
        shade = chance.randrange(20, 230)
        draw.rectangle((x, y, x + 25, y + 30), fill=(shade, shade, shade - 10))
    return found


def fog(seed: int) -> Image.Image:
    """Next to nothing in it, but light."""
    return scene(seed).point(lambda value: 150 + value // 20)


def noise(top: int, seed: int) -> Image.Image:
    chance = random.Random(seed)
    found = Image.new("RGB", SIZE)
    found.putdata([(chance.randrange(top + 1),) * 3 for _ in range(SIZE[0] * SIZE[1])])
    return found


def capped(seed: int) -> Image.Image:
    return noise(6, seed)


def hand(seed: int) -> Image.Image:
    """Skin before the lens, a little light at one edge."""
    found = Image.linear_gradient("L").rotate(90).resize(SIZE).point(lambda v: 8 + v // 9)
    return Image.merge("RGB", (found, found.point(lambda v: v // 2), found.point(lambda v: v // 3)))


def sky(seed: int) -> Image.Image:
    """A night sky: its glow, and stars."""
    chance = random.Random(seed)
    found = noise(4, seed).point(lambda value: value + 16)
    for _ in range(12):
        shade = chance.randrange(60, 160)
        found.putpixel((chance.randrange(160), chance.randrange(120)), (shade, shade, shade))
    return found.filter(ImageFilter.GaussianBlur(0.4))


def street(seed: int) -> Image.Image:
    """Lamps at night, and their light on the stones."""
    found = scene(seed).point(lambda value: value // 3)
    ImageDraw.Draw(found).ellipse((40 + seed, 20, 70 + seed, 50), fill=(255, 235, 190))
    return found
