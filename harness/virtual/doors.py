"""Takes away from a virtual board's MicroPython what no board has, before its program starts.

The text of this module goes before the board's own program; nothing from outside has been read by
then. The agent keeps what it needs. Nothing else can be imported, under whatever name: what imports
is replaced, and ``builtins``, by which it could be brought back, is out of reach too. An interrupt
in the middle of all this ends the process: the prompt is asked for in the last line.
"""

import binascii
import builtins
import io
import os
import sys

import vfs

WHOLE = "array binascii deflate gc json micropython select struct sys termios time"


def shut() -> None:
    """Close the doors, and forget what was needed for it."""
    kept: dict[str, object] = {name: __import__(name) for name in WHOLE.split()}
    kept["io"] = type("io", (), {"BytesIO": io.BytesIO})
    kept["uctypes"] = type("uctypes", (), {"addressof": __import__("uctypes").addressof})
    load = __import__
    mount_one = vfs.mount
    chip = open(3, "r+b", buffering=0)  # noqa: SIM115  a number, no path
    kept["virtual_chip"] = type("virtual_chip", (), {"link": chip})

    def look_up(name: str, *_how: object) -> object:
        if name == "harness_agent":  # the host mounts it; no other file system can be reached
            return load(name)
        if name not in kept:
            raise ImportError("no module named '" + name + "'")
        return kept[name]

    def refuse(*_what: object) -> None:
        raise OSError("a virtual board has no files")

    def mount(files: object, place: str) -> None:
        mount_one(files, place)  # without arguments it would give away what is mounted

    kept["vfs"] = type("vfs", (), {"mount": mount, "umount": vfs.umount})
    builtins.__import__ = look_up  # type: ignore[assignment]
    for name in ("open", "execfile", "input"):
        setattr(builtins, name, refuse)
    put = os.putenv
    sys.path.clear()
    sys.modules.clear()
    serial = binascii.unhexlify("".join(sys.argv[1:])).decode()
    globals().clear()
    globals().update({"__name__": "__main__", "serial": serial})
    put("MICROPYINSPECT", "1")


shut()
