"""Show the running rack and all stored results on a small web page of this computer."""

from harness.watch.serve import watching as watching
