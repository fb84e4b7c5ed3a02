"""A made-up outing to play with."""

from flangeback.demo.outing import Outing, make_outing

__all__ = ["Outing", "make_outing"]
