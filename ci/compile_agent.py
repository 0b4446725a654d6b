"""Build hook of the wheel: compiles the agent for the interpreters that it is known to run on.

Where the compiler has no wheel, ours is built without: boards then compile the agent themselves.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class CompileAgent(BuildHookInterface[Any]):
    """Adds the compiled agent to a wheel; an editable installation compiles it when needed."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Compile into a temporary folder, from which the wheel takes the files."""
        if version == "editable":
            return
        sys.path.insert(0, self.root)
        from harness.agent import compiled  # noqa: PLC0415  its folder is known only now

        self.folder = tempfile.TemporaryDirectory()
        for name, architectures in compiled.COMPILED.items():
            for architecture in architectures:
                code = compiled.compile_agent(name, architecture)
                if code is not None:
                    file = compiled.file_name(name, architecture)
                    path = Path(self.folder.name, file)
                    path.write_bytes(code)
                    where = f"harness/agent/{compiled.FOLDER}/{file}"
                    build_data["force_include"][str(path)] = where

    def finalize(self, version: str, build_data: dict[str, Any], artifact_path: str) -> None:
        """Remove the folder."""
        del build_data, artifact_path
        if version != "editable":
            self.folder.cleanup()
