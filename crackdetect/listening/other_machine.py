"""Tells a person who named one machine and roasts on another."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from crackdetect.deciding.tracker import Asked
from crackdetect.errors import ModelError
from crackdetect.model import Model
from crackdetect.notice import Notice, Notices
from crackdetect.roast.words import shown
from crackdetect.storage import machine_profiles
from crackdetect.teach.whose_machine import WhoseMachine


def listens_for_another(shipped: Model, model: Model, *, data: Path, notices: Notices) -> Callable[[Asked], None]:
    """What the pipeline may tell what its phases are asked; it puts one notice, or none.

    Parameters
    ----------
    shipped, model
        Without and with what is known of the machine that was named.
    data
        The data folder.
    notices
        Where it is told.
    """
    machines = {}
    for profile in machine_profiles.known(data=data) if model.taught is not None else ():
        try:
            known = profile.applied_to(shipped).own_machine
        except ModelError:  # by another model
            continue
        if known is not None:
            machines[profile.machine] = known
    if model.taught is None or shipped.own_machine is None or model.taught.machine not in machines:
        return lambda asked: None
    check = WhoseMachine(model.taught.machine, machines, average=shipped.own_machine.adaptation)

    def listen(asked: Asked) -> None:
        other = check.push(asked)
        if other is not None:
            name = f'"{shown(other)}"' if other else "the one without a name"
            again = f"--machine {name}" if other else "no --machine"
            message = f"this sounds like the other roaster, {name}; if it is, end and begin again with {again}"
            notices.put(Notice("other_machine", message))

    return listen
