"""The rig of a guitar that is quiet where nobody plays: model strings with little hiss and no hum."""

from thumbline.dsp.rig.model import Rig


def quiet_rig(on_db: float = -48.0, off_db: float = -65.0, floor_db: float = -85.0, **sections: object) -> Rig:
    """Six strings with these levels in dBFS, a typical note at -25, and further sections of the rig."""
    levels = {"floor_db": floor_db, "level_db": -25.0, "on_db": on_db, "off_db": off_db}
    detect = {key: [value] * 6 for key, value in levels.items()}
    return Rig.model_validate({"detect": detect, "input": {"mains_hz": "off"}} | sections)
