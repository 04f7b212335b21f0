"""How a step at one whip ends: the alarms judged, prompt and lamp set."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from fillguard.core.diagnosis import loss
from fillguard.core.events import LampChanged, PromptChanged
from fillguard.core.fill import LOSS
from fillguard.core.prompting import prompt_for
from fillguard.core.rules import Rules
from fillguard.core.sharing import Sharing
from fillguard.core.values import Stamp, Warmth
from fillguard.core.whip import WhipState


class Signalling(Sharing):
    """What people are shown of a whip."""

    def __init__(
        self,
        state: WhipState,
        rules: Rules,
        now: Stamp,
        *,
        air_k: float | None = None,
        bath_k: float | None = None,
        warm: Sequence[Warmth] = (),
    ) -> None:
        """Take the whip up as the last step left it."""
        super().__init__(state, rules, now, air_k=air_k, bath_k=bath_k, warm=warm)
        self._before = state

    def _judge(self, names: Iterable[str]) -> None:
        desk = self.desk().judged(names)
        self.close_desk(desk)
        if any(change.alarm == LOSS and change.is_raise for change in desk.changes):
            self.find(loss())

    def _signal(self) -> None:
        """Prompt and lamp."""
        state, before = self.state, self._before
        if state.shown is not before.shown or state.phase is not before.phase:
            prompt, asked = prompt_for(state.phase, state.shown, state.prompt, state.asked, self.rules.extents)
            if asked is not state.asked or prompt is not state.prompt:
                self.state = replace(state, prompt=prompt, asked=asked)
            if prompt is not state.prompt:
                fill = state.fill.fill_id if state.fill is not None else None
                self.out.append(PromptChanged(stamp=self.now, whip=state.whip, fill_id=fill, prompt=prompt))
        if self._lamp_may_change():
            lamp = self.desk().lamp()
            if lamp is not self.state.lamp:
                self.state = replace(self.state, lamp=lamp)
                self.out.append(LampChanged(stamp=self.now, whip=state.whip, lamp=lamp))

    def _lamp_may_change(self) -> bool:
        state, before = self.state, self._before
        return (
            state.prompt is not before.prompt
            or state.standings is not before.standings
            or state.left_over is not before.left_over
        )
