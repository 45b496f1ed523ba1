"""Events leave the kernel through a ring in the state record; ``event_reader`` is its other end."""

from thumbline.dsp.compilation import kernel
from thumbline.dsp.memory.events import EVENTS
from thumbline.dsp.memory.record_type import Record


@kernel
def emit(
    st: Record, frame: int, decided: int, kind: int, string: int, value: float, extra: float, level: float
) -> None:
    """Write one event; the host takes it before ``EVENTS`` more have come."""
    event = st.events[st.events_written & (EVENTS - 1)]
    event.frame = frame
    event.decided = decided
    event.kind = kind
    event.string = string
    event.value = value
    event.extra = extra
    event.level = level
    st.events_written += 1
