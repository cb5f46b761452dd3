"""Install from Debian what the tests need from the system, where that may be done; otherwise name it.

The tests that need a missing tool are skipped with its name.
"""

import os
import shutil
import subprocess
import sys

NEEDED = {
    "pdftoppm": "poppler-utils",
    "pdftotext": "poppler-utils",
    "sigrok-cli": "sigrok-cli",
    "pg_ctlcluster": "postgresql",
    "chromium": "chromium",
}


def main() -> int:
    missing = sorted({package for tool, package in NEEDED.items() if shutil.which(tool) is None})
    if not missing:
        print("system tools: all here")
        return 0
    if shutil.which("apt-get") and os.geteuid() == 0:
        env = os.environ | {"DEBIAN_FRONTEND": "noninteractive"}
        subprocess.run(["apt-get", "-q", "update"], env=env, stdout=subprocess.DEVNULL, check=False)
        done = subprocess.run(
            ["apt-get", "-q", "-y", "install", *missing], env=env, stdout=subprocess.DEVNULL, check=False
        )
        if done.returncode == 0:
            print(f"system tools: installed {', '.join(missing)}")
            return 0
    how = f"on Debian: apt-get install {' '.join(missing)}"
    print(f"NOT HERE: {', '.join(missing)}. The tests that need it are skipped; {how}", file=sys.stderr)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
