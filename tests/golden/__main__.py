"""`python -m tests.golden [--write] [FOLDER]`: make all outputs and compare them, or set them down.

With a folder, its outputs are compared, which another Python may have made:
``PYTHON -m sonify batch tests/golden/list.toml -o FOLDER``.
"""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
from pathlib import Path

from tests.golden import HERE, MANIFEST, SEEN, differences, digests, libraries, make, seen


def main() -> int:
    words = [w for w in sys.argv[1:] if w != "--write"]
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(words[0] if words else temporary)
        if not words:
            make(folder)
        if "--write" in sys.argv:
            shutil.copy(folder / "manifest.jsonl", MANIFEST)
            shown = {n: s for n in digests(MANIFEST) if (s := seen(folder / n)) is not None}
            SEEN.write_text(json.dumps({"libraries": libraries(), "seen": shown}) + "\n", "utf-8")
            print(f"{len(digests(MANIFEST))} files set down in {HERE}")
            return 0
        wrong, alike = differences(folder)
    print(f"{len(digests(MANIFEST)) - len(wrong) - len(alike)} files have the same bytes")
    for name in alike:
        print(f"other bytes by another library, decoded alike: {name}")
    for name in wrong:
        print(f"differs: {name}")
    return bool(wrong)


if __name__ == "__main__":
    sys.exit(main())
