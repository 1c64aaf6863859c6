"""What the pictures of a recording are drawn from: analysis in, compact JSON data out. Nothing here draws."""

from witnessmark.workbench.views.whole import views_of

__all__ = ["views_of"]
