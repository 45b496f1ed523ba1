"""Two hours of sound through the processor, the demo take over and over; prints what it found, exits 1 on a fault.

Run it by ``python -m tests.benchmarks.two_hours [MINUTES]``. Watched are the ceiling, samples that are no number,
memory, and whether the notes of each repetition are those of the second.
"""

import resource
import sys
from time import process_time

import numpy as np
import soundfile

from tests.helpers.places import DATA
from thumbline.dsp.calibration.survey import complete, survey
from thumbline.dsp.memory.events import NOTE
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.file import load_rig

BLOCK = 4096
#: Two datings of one note are the same if they are this near, in seconds: the hum that is left is not the same.
SAME_S = 0.002


def main(minutes: float) -> int:
    """Stream, compare and report; return the exit code."""
    read, rate = soundfile.read(DATA / "demo.flac", dtype="float64")
    frames = np.asarray(read, np.float64)
    rig = load_rig(DATA / "demo.toml")
    rig = complete(rig, survey(lambda: iter([frames]), rig, rate))
    processor = Processor(rig, rate)
    ceiling = 10.0 ** (rig.output.ceiling_db / 20.0)
    repeats = max(3, round(60.0 * minutes * rate / len(frames)))
    reference: list[tuple[int, float]] = []
    different, peak, memory_kb, begun = 0, 0.0, 0, process_time()
    for repeat in range(repeats):
        notes: list[tuple[int, float]] = []
        for first in range(0, len(frames), BLOCK):
            out, events = processor.process(frames[first : first + BLOCK])
            if not np.isfinite(out).all():
                print(f"repetition {repeat}: a sample is no number")
                return 1
            peak = max(peak, float(np.abs(out).max(initial=0.0)))
            start = repeat * len(frames)
            notes += [
                (int(each["string"]), (int(each["frame"]) - start) / rate) for each in events[events["kind"] == NOTE]
            ]
        if repeat == 1:
            reference, memory_kb = notes, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        elif repeat > 1:
            same = [a[0] for a in notes] == [b[0] for b in reference] and all(
                abs(a[1] - b[1]) < SAME_S for a, b in zip(notes, reference, strict=False)
            )
            different += not same
    seconds, spent = repeats * len(frames) / rate, process_time() - begun
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - memory_kb
    print(f"{seconds / 60:.0f} minutes, {repeats} repetitions of {len(reference)} notes, {seconds / spent:.0f} times")
    print(f"real time; peak {20 * np.log10(peak):.2f} dBFS; memory +{grown} KiB; repetitions that differ: {different}")
    return int(different > 0 or peak > ceiling or grown > 10_000)


if __name__ == "__main__":
    sys.exit(main(float(sys.argv[1]) if len(sys.argv) > 1 else 120.0))
