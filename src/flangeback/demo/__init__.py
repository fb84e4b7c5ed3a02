"""A made-up outing to play with, every frame's truth known."""

from flangeback.demo.outing import Outing, Truth, make_outing

__all__ = ["Outing", "Truth", "make_outing"]
