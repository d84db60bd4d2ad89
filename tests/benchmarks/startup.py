"""How long `quarterjack --help` takes against its peer, `python -c pass`, in one run.

python tests/benchmarks/startup.py [--quick] [--json]
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import time
from pathlib import Path


def once(command: list[str]) -> float:
    begin = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begin


def measure(rounds: int) -> dict[str, object]:
    """Best of ``rounds`` for both, taken in turn so that a busy machine disturbs both alike."""
    script = Path(sys.executable).with_name("quarterjack")
    ours, peer = [str(script), "--help"], [sys.executable, "-c", "pass"]
    pairs = [(once(ours), once(peer)) for _ in range(rounds)]
    best_ours, best_peer = min(pair[0] for pair in pairs), min(pair[1] for pair in pairs)
    return {
        "help": {
            "ours": best_ours,
            "peers": {"python -c pass": best_peer},
            "ratio": {"python -c pass": best_peer / best_ours},
            "times_the_peer": best_ours / best_peer,
        }
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer rounds")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    result = measure(10 if options.quick else 50)
    if options.json:
        print(json.dumps(result))
        return
    case = result["help"]
    assert isinstance(case, dict)
    peer = case["peers"]["python -c pass"]
    print(
        f"quarterjack --help {case['ours'] * 1e3:6.1f} ms   python -c pass {peer * 1e3:6.1f} ms   "
        f"{case['times_the_peer']:.2f} times (the aim is at most 3)"
    )


if __name__ == "__main__":
    main()
