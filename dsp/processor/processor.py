"""The processor as Python sees it: frames in, frames and events out."""

import numpy as np

from thumbline.dsp.errors import InputError
from thumbline.dsp.kernel.offsets import end_all
from thumbline.dsp.kernel.process import decide, process
from thumbline.dsp.memory.events import EVENT, take_events
from thumbline.dsp.memory.records import OUTPUTS, initial_state
from thumbline.dsp.processor.hum import Hum, know_hum
from thumbline.dsp.processor.parameters import compile_parameters
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.sample_rates import HIGHEST_RATE

#: Frames handed to the kernel at once, so that the event ring cannot overflow between two looks.
CHUNK = 2048
#: The same for `decide`, whose overhead per call equals many frames. Even of ten strings that are
#: plucked anew every 12 ms the ring holds a third of a second and more.
DECISIONS_CHUNK = 4 * CHUNK


class Processor:
    """Thumbline's processor for one rig at one sample rate.

    ``state`` (dtype ``STATE``) and ``params`` (dtype ``PARAMS``) are arrays of one record, open to inspection. With
    ``hum``, measured from the take that is about to pass (`Survey.hum`), hum is taken out from the first frame on;
    without, it is learned while sound passes.

    Examples
    --------
    >>> import numpy as np
    >>> import thumbline.dsp as tl
    >>> processor = tl.Processor(tl.Rig(), 48_000)
    >>> for block in np.zeros((3, 64, 6)):
    ...     sound, events = processor.process(block)
    >>> sound.shape, len(events), len(processor.finish())
    ((64, 3), 0, 0)
    """

    def __init__(self, rig: Rig, rate: int, hum: Hum | None = None) -> None:
        self.rig = rig
        self.rate = rate
        self.params = compile_parameters(rig, rate)
        self.state = initial_state(self.params)
        if hum is not None:
            know_hum(self.params[0], self.state[0], hum)
        self._events_read = 0
        self._channels = max(rig.input.channels)

    def process(self, frames: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Take float frames (n, channels); return frames (n, 3) of bass, guitar left, guitar right, and events.

        Events have dtype ``EVENT`` and are in the order of decision. However the frames are cut into calls, the
        result is the same, bit for bit. Raises InputError if a channel that the rig names is missing.
        """
        frames = self._checked(frames)
        out = np.empty((len(frames), OUTPUTS))
        events = [np.zeros(0, EVENT)]
        for first in range(0, max(len(frames), 1), CHUNK):
            part = slice(first, first + CHUNK)
            process(self.params[0], self.state[0], frames[part], out[part])
            new, self._events_read = take_events(self.state[0], self._events_read)
            events.append(new)
        return out, np.concatenate(events)

    def decide(self, frames: np.ndarray) -> np.ndarray:
        """Take frames as `process` does and return the events alone: the same ones, sooner, without sound.

        For a processor that is never asked for sound: its bass voice hears nothing of these frames.
        """
        frames = self._checked(frames)
        events = [np.zeros(0, EVENT)]
        for first in range(0, len(frames), DECISIONS_CHUNK):
            decide(self.params[0], self.state[0], frames[first : first + DECISIONS_CHUNK])
            new, self._events_read = take_events(self.state[0], self._events_read)
            events.append(new)
        return np.concatenate(events)

    def _checked(self, frames: np.ndarray) -> np.ndarray:
        if frames.ndim != 2 or frames.shape[1] < self._channels:
            raise InputError(
                f"frames have shape {frames.shape}; accepted: (frames, channels) {self._channels} or more channels"
            )
        return np.ascontiguousarray(frames, np.float64)

    def finish(self) -> np.ndarray:
        """End the take: return the events that end the notes still sounding."""
        end_all(self.params[0], self.state[0])
        events, self._events_read = take_events(self.state[0], self._events_read)
        return events


def warm_up() -> None:
    """Compile the kernels, or load them from disk, so that the first sound does not wait for it."""
    processor = Processor(Rig(), HIGHEST_RATE // 4)
    processor.process(np.zeros((0, processor.rig.string_count)))
    processor.finish()
