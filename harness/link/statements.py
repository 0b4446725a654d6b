"""What the upload has a board execute: texts for its interpreter, to be filled in by ``format``."""

BLOCK = 1024
"""Maximum number of bytes that a board reads at once. Some do not interrupt a program at Ctrl-C,
but find it in a block that is full."""

RECEIVER = """import gc, sys, binascii
_t = bytearray({size})
_n = 0
def _r(at, size, crc):
 global _n
 text = bytearray(size)
 for k in range(0, size, {block}):
  part = memoryview(text)[k : k + {block}]
  sys.stdin.buffer.readinto(part)
  if b"\\3" in bytes(part):
   raise KeyboardInterrupt
 data = binascii.a2b_base64(text)
 if _n == at and binascii.crc32(data) == crc:
  memoryview(_t)[at : at + len(data)][:] = data
  _n += len(data)
 print(_n)
print(_n)"""
"""Makes a board ready for bytes: ``_r`` keeps a piece that is whole and next, and prints how many
bytes are kept."""
BYTECODE = b"import sys\n_n = getattr(sys.implementation, '_mpy', 0)\nprint(_n, _n)"
"""Prints what an interpreter can load; twice, because a digit may be damaged."""
IMPORT = """import deflate, io, sys, vfs
class _v:
 def mount(self, *how):
  pass
 umount = mount
 def stat(self, path):
  if path != "/{module}.mpy":
   raise OSError(2)
  return (32768, 0, 0, 0, 0, 0, 0, 0, 0, 0)
 def open(self, *how):
  return deflate.DeflateIO(io.BytesIO(_t), deflate.ZLIB)
sys.modules.pop("{module}", None)
vfs.mount(_v(), "/_v")
sys.path.insert(0, "/_v")
gc.collect()
try:
 from {module} import *
finally:
 sys.path.remove("/_v")
 vfs.umount("/_v")
print(len(_t))"""
"""Imports a compiled module from the bytes kept: a file system of one file, which is in memory."""
