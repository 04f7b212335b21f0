"""A configuration that changes while the watch runs: compared, recorded, brought into force through the one queue."""

import hashlib
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from fillguard.app.authors import Author, author_of
from fillguard.app.services import Report
from fillguard.core.events import InEvent, OutEvent, RulesChanged, ServiceChanged
from fillguard.engine import Inbox
from fillguard.intake.rules import rules_publication
from fillguard.ports import AuditEntry, AuditTrail, Clock, ConfigInForce, Publication
from fillguard.settings import ConfigurationProblems, Problem, Reload, Settings, changes, load_settings, taken_over
from fillguard.settings.alarms import FILE as ALARMS_FILE
from fillguard.settings.document import FILE as STATION_FILE

SERVICE = "configuration"
WATCHED = (STATION_FILE, ALARMS_FILE)
_PROBLEMS_TOLD = 3
_CHANGES_TOLD = 20

TakeOver = Callable[[Settings], None]


class Reloading:
    """Which configuration is in force. `offer` and `refuse` on the main thread; `tell`, as an outlet, on the engine's.

    What is offered comes into force with its `RulesChanged`, in the order of everything else: only then is it recorded
    as in force, said in the new words, and told at the broker.
    """

    def __init__(
        self,
        settings: Settings,
        *,
        clock: Clock,
        inbox: Inbox,
        ledger: AuditTrail,
        publish: Callable[[Publication], None],
        take_over: TakeOver,
        report: Report,
    ) -> None:
        """`take_over` hears of the settings that came into force, on the engine's thread."""
        self.latest = settings
        """In force, or on the queue to be."""
        self._clock, self._inbox, self._ledger = clock, inbox, ledger
        self._publish, self._take_over, self._report = publish, take_over, report
        self._lock = threading.Lock()
        self._waiting: deque[Reload] = deque()
        """On the engine's queue, in the order in which they will be told."""
        self._broken = False

    def begin(self, last_text: str | None, author: Author | None) -> None:
        """Record the configuration of the start, and what differs from `last_text`, which was last in force."""
        settings = self.latest
        change = () if last_text is None else tuple(map(str, changes(last_text, settings.text)))
        who, why = ("fillguard", "start") if author is None or not change else (author.by, f"{author.why} (start)")
        self._record(settings, who, why, change)

    def offer(self, loaded: Settings, author: Author) -> None:
        """A sound configuration was loaded: bring into force what needs no restart, and say what does."""
        found = taken_over(self.latest, loaded)
        if self._broken:
            self._broken = False
            self._service(ok=True, detail="it can be used again")
        for change in found.later:
            self._report(f"configuration: {change}: comes into force at the next restart", ok=False)
        if found.later or not found.now:
            detail = "; ".join(["needs a restart: " + str(change) for change in found.later]) or "nothing has changed"
            self._audit(author, "configuration-loaded", detail, config_hash=loaded.hash)
        if not found.now:
            if not found.later:
                self._report("the configuration has not changed")
            return
        with self._lock:
            self._waiting.append(found)
        self.latest = found.settings
        self._inbox.put(
            RulesChanged(
                stamp=self._clock.now(),
                rules_hash=found.settings.hash,
                summary="; ".join(map(str, found.now[:_CHANGES_TOLD])),
                thresholds=found.settings.thresholds,
                by=author.by,
                why=author.why,
            )
        )
        for change in found.now:
            self._report(f"configuration: {change} ({author.by}: {author.why})")

    def refuse(self, problems: Sequence[Problem], author: Author) -> None:
        """A configuration that cannot be used changes nothing, and people hear of it."""
        for problem in problems:
            self._report(f"configuration: {problem}", ok=False)
        told = "; ".join(map(str, problems[:_PROBLEMS_TOLD]))
        more = f"; and {len(problems) - _PROBLEMS_TOLD} more" if len(problems) > _PROBLEMS_TOLD else ""
        detail = f"{told}{more}. The old one stays in force."
        self._report("the configuration cannot be used: the old one stays in force", ok=False)
        self._audit(author, "configuration-refused", detail)
        self._broken = True
        self._service(ok=False, detail=detail)

    def tell(self, cause: InEvent, _facts: Sequence[OutEvent]) -> None:
        """On the engine's thread: thresholds came into force."""
        if not isinstance(cause, RulesChanged):
            return
        found = self._offered(cause.rules_hash)
        if found is None:
            return
        self._take_over(found.settings)
        self._record(found.settings, cause.by, cause.why, tuple(map(str, found.now)))
        self._publish(rules_publication(cause, found.settings.station.id))

    def _offered(self, rules_hash: str) -> Reload | None:
        """What was offered under this hash; what was offered before it and never told failed in the step."""
        with self._lock:
            while self._waiting:
                found = self._waiting.popleft()
                if found.settings.hash == rules_hash:
                    return found
        return None

    def _record(self, settings: Settings, who: str, why: str, change: tuple[str, ...]) -> None:
        self._ledger.put_config(
            ConfigInForce(
                at=self._clock.now(),
                config_hash=settings.hash,
                text=settings.text,
                who=who,
                why=why,
                change=change,
            )
        )

    def _audit(self, author: Author, action: str, detail: str, *, config_hash: str | None = None) -> None:
        """`config_hash`: of what was loaded; None where it could not be used."""
        data = {"why": author.why, "config": config_hash}
        self._ledger.put_audit(AuditEntry(at=self._clock.now(), who=author.by, action=action, detail=detail, data=data))

    def _service(self, *, ok: bool, detail: str) -> None:
        self._inbox.put(ServiceChanged(stamp=self._clock.now(), service=SERVICE, ok=ok, detail=detail))


class Files:
    """The files of a configuration folder: notices that they changed, loads them, finds out by whom. One thread."""

    def __init__(self, folder: Path, environ: Mapping[str, str]) -> None:
        self._folder, self._environ = folder, environ
        self._seen = self._marks()
        self._settling = self._seen
        self._alarms = self._digest()

    def author(self) -> Author | None:
        """Who wrote alarms.toml as it stands, if anybody said."""
        return author_of(self._folder, self._alarms)

    def changed(self) -> bool:
        """True once when a file is not what it was at the last look or load, and has stood still for one look."""
        marks = self._marks()
        stands, self._settling = marks == self._settling, marks
        return stands and marks != self._seen

    def load_into(self, reloading: Reloading, why: str) -> None:
        """Read everything anew and hand it over. `why` is said where nobody gave a reason."""
        self._seen = self._settling = self._marks()
        author = self._author(why)
        try:
            loaded = load_settings(self._folder, self._environ)
        except ConfigurationProblems as found:
            reloading.refuse(found.errors, author)
        else:
            reloading.offer(loaded, author)

    def _author(self, why: str) -> Author:
        """Who wrote alarms.toml, where it was written with a name; what is edited by hand has none."""
        digest = self._digest()
        changed, self._alarms = digest != self._alarms, digest
        return (author_of(self._folder, digest) if changed else None) or Author(by="not said", why=why)

    def _digest(self) -> str:
        try:
            return hashlib.sha256((self._folder / ALARMS_FILE).read_bytes()).hexdigest()
        except OSError:
            return ""

    def _marks(self) -> tuple[object, ...]:
        return tuple(_mark(self._folder / name) for name in WATCHED)


def _mark(path: Path) -> object:
    """What changes when a file is written or replaced."""
    try:
        stat = path.stat()
    except OSError:
        return None
    return stat.st_mtime_ns, stat.st_size, stat.st_ino
