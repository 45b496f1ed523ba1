"""`thumbline unmute`: unmute every string of the sound module, whatever hangs."""

import json
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from thumbline.cli.options import midi_option, rig_option
from thumbline.dsp.errors import InputError

if TYPE_CHECKING:
    from thumbline.dsp.memory.record_type import Record

#: A run that plays must have opened its strings within this, or its MIDI processes are ended, in seconds.
ANSWER_S = 0.3
#: How often "all open" is sent ...
TIMES = 4
#: ... and the pause between, in seconds.
PAUSE_S = 0.05


@click.command("unmute")
@rig_option
@midi_option
@click.option("--json", "as_json", is_flag=True, help="Print the result as a JSON object.")
def open_strings(rig_file: Path | None, port_name: str | None, as_json: bool) -> None:
    """Unmute every string of the rig's sound modules, now, from any terminal.

    A `thumbline live` that runs is asked to leave every string unmuted (its key u ends that). If its MIDI processes do
    not answer they are ended, and what they left muted is unmuted from here.

    Turn the amplifier down first: strings that were muted will sound.
    """
    from thumbline.cli.console.child_processes import base_folder
    from thumbline.cli.shared.runs import runs
    from thumbline.dsp.rig.file import load_rig
    from thumbline.dsp.rig.model import Rig

    rig = Rig() if rig_file is None else load_rig(rig_file)
    playing = list(runs(base_folder()))
    for _, _, live in playing:
        live.request.all_open = 1
    answered = [_answers(live) for _, _, live in playing]
    wanted = rig.midi.port if port_name is None else port_name
    ports = [wanted] if wanted else _connected(live for _, _, live in playing)
    problem = ""
    try:
        ports = _open_from_here(rig.mutes.modules, ports)
    except InputError as error:
        problem, ports = str(error), []
    consoles = [console for console, _, _ in playing]
    if problem and not any(answered):
        raise InputError(problem)
    result: dict[str, Any] = {"event": "unmute", "ports": ports, "runs": consoles, "answered": sum(answered)}
    if as_json:
        click.echo(json.dumps(result, ensure_ascii=False))
        return
    for console, answer in zip(consoles, answered, strict=True):
        left = "leaves every string unmuted; its key u ends that"
        how = left if answer else "did not answer; its MIDI processes were ended"
        click.echo(f"`thumbline live` (process {console}) {how}.")
    for port in ports:
        click.echo(f"Every string is unmuted at {port}.")


def _answers(live: "Record") -> bool:
    """Whether a run's keeper says that all is open; if it does not, it and who stands by for it are ended."""
    from thumbline.cli.shared.processes import STOPPED, kill, state_of

    keeper = live.keeper
    until = time.monotonic() + ANSWER_S
    while time.monotonic() < until:
        fresh = time.monotonic_ns() - int(keeper.beat_ns) < 1e9 * ANSWER_S and state_of(int(keeper.pid)) != STOPPED
        if fresh and not any(keeper.closed):
            return True
        time.sleep(0.005)
    for pid in (*map(int, keeper.standby_pid), int(keeper.pid)):
        kill(pid)
    return False


def _connected(lives: Any) -> list[str]:
    """What the ports of running keepers are connected to, for a rig that names none."""
    from thumbline.cli.shared.live_memory import names_in

    found: dict[str, None] = {}
    for live in lives:
        found |= dict.fromkeys(names_in(live.keeper.connections))
        if not live.keeper.port_own and bytes(live.keeper.port):
            found[bytes(live.keeper.port).decode(errors="replace")] = None
    return list(found)


def _open_from_here(modules: Any, names: list[str]) -> list[str]:
    """Send all that opens to each of the ports; returns their full names."""
    from thumbline.cli.devices.midi_ports import OutputPort
    from thumbline.dsp.midi.mutes import open_all

    if not names:
        raise InputError("no MIDI port is named; accepted: --midi PORT, or a rig that names one (midi.port)")
    everything = [message.bytes() for message in open_all(modules)]
    full = []
    for name in names:
        port = OutputPort(name, "thumbline-open")
        try:
            port.open()
            for _ in range(TIMES):
                port.look()
                for message in everything:
                    port.send(message)
                time.sleep(PAUSE_S)
            full.append(port.name)
        finally:
            port.close()
    return full
