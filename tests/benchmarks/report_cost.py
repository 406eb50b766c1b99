"""What a report costs: seconds from the start of the command, its largest memory, and the size of the file.

python tests/benchmarks/report_cost.py STUDY [STUDY ...]
"""

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path


def measure(study: Path, ending: str) -> tuple[float, float, float]:
    """Seconds, megabyte of memory, megabyte of file."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / f"report{ending}"
        begun = time.perf_counter()
        subprocess.run(
            [sys.executable, "-m", "acq.cli", "report", str(study), str(out)], check=True, capture_output=True
        )
        spent_s = time.perf_counter() - begun
        memory_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024  # the largest of all so far
        return spent_s, memory_mb, out.stat().st_size / 1e6


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("studies", nargs="+", type=Path)
    for study in parser.parse_args().studies:
        for ending in (".pdf", ".html"):
            spent_s, memory_mb, size_mb = measure(study, ending)
            print(f"{study.name:24} {ending:6} {spent_s:5.2f} s   up to {memory_mb:4.0f} MB   {size_mb:5.2f} MB")


if __name__ == "__main__":
    main()
