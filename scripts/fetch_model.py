#!/usr/bin/env python3
"""Fetch a small English Vosk model into models/. Needs the internet; nothing else in this project does."""

import argparse
import shutil
import sys
import tempfile
import urllib.request
import zipfile
from pathlib import Path

MODEL = "vosk-model-small-en-us-0.15"
ADDRESS = f"https://alphacephei.com/vosk/models/{MODEL}.zip"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--models", type=Path, default=Path(__file__).resolve().parent.parent / "models", help="where to put it")
    parser.add_argument("--address", default=ADDRESS, help="address of the model's zip file")
    options = parser.parse_args()
    target = options.models / Path(options.address).stem
    if target.exists():
        print(f"{target} is there already.")
        return 0
    options.models.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=options.models) as folder:
        packed = Path(folder) / "model.zip"
        try:
            with urllib.request.urlopen(options.address, timeout=60) as source, packed.open("wb") as copy:
                shutil.copyfileobj(source, copy)
            with zipfile.ZipFile(packed) as archive:
                inside = Path(folder, "unpacked").resolve()
                for name in archive.namelist():
                    if not (inside / name).resolve().is_relative_to(inside):
                        raise zipfile.BadZipFile(f"{name} points outside the archive")
                archive.extractall(inside)
        except (OSError, zipfile.BadZipFile) as error:
            print(f"The model cannot be fetched from {options.address} ({error}); without it the embedded recogniser is used.", file=sys.stderr)
            return 4
        found = next((path for path in sorted(inside.rglob("final.mdl"))), None)
        if found is None:
            print(f"{options.address} holds no Vosk model; give another address.", file=sys.stderr)
            return 4
        root = found.parent.parent if found.parent.name == "am" else found.parent
        shutil.move(str(root), target)
    print(f"The model is in {target}; gloveside run now prefers it.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
