"""The gate as the settings have it, and how it tells of itself."""

from polewright.adapters.gate.command import GateCommand
from polewright.ports import Publisher
from polewright.session.messages import event_message
from polewright.settings.model import Settings


def gate_of(settings: Settings, publisher: Publisher) -> GateCommand | None:
    """Return the gate, or None where the settings name no command."""
    schedule = settings.schedule
    if not schedule.gate_command:
        return None

    def tell(level: str, code: str, text: str, remedy: str) -> None:
        publisher.publish("event", event_message(level, code, text, remedy), retain=False)

    return GateCommand(
        schedule.gate_command, longest_s=schedule.gate_s, mount=settings.mount.slug, tell=tell
    )
