"""What the tests of rigs share: the line with which a rig is refused."""

from collections.abc import Mapping

import pytest

from thumbline.dsp.errors import InputError
from thumbline.dsp.rig.file import rig_from_dict


def refusal(table: Mapping[str, object]) -> str:
    """Return the message with which a rig is refused, which is always a single line."""
    with pytest.raises(InputError) as caught:
        rig_from_dict(table, "rig.toml")
    message = str(caught.value)
    assert message.startswith("rig.toml: ")
    assert message.isprintable()
    return message.removeprefix("rig.toml: ")
