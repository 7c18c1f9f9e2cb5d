"""One file per target: a plan becomes the text of everything a gateway loads."""

from netcharter.render.kit import Kit, render

__all__ = ["Kit", "render"]
