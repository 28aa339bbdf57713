"""Settings: what a person may choose, with units, bounds and defaults.

Every section works when left out; the site may also come from a GPS or from the mount.
"""

from polewright.settings.devices import (
    AdjusterSettings,
    CameraSettings,
    IndiSettings,
    MountSettings,
)
from polewright.settings.displays import MetricsSettings, MqttSettings, PageSettings
from polewright.settings.keeping import JournalSettings, LoggingSettings
from polewright.settings.measuring import (
    PlanSettings,
    SightsSettings,
    StarAlignmentSettings,
    SurveySettings,
    ToleranceSettings,
)
from polewright.settings.scheduling import ScheduleSettings
from polewright.settings.section import Section
from polewright.settings.sensing import SensorSettings
from polewright.settings.site import SafetySettings, SiteSettings
from polewright.settings.watching import WatchSettings


class Settings(Section):
    """All settings, each section with its defaults."""

    site: SiteSettings = SiteSettings()
    mount: MountSettings = MountSettings()
    camera: CameraSettings = CameraSettings()
    adjuster: AdjusterSettings = AdjusterSettings()
    sensor: SensorSettings = SensorSettings()
    indi: IndiSettings = IndiSettings()
    mqtt: MqttSettings = MqttSettings()
    page: PageSettings = PageSettings()
    metrics: MetricsSettings = MetricsSettings()
    survey: SurveySettings = SurveySettings()
    sights: SightsSettings = SightsSettings()
    star_alignment: StarAlignmentSettings = StarAlignmentSettings()
    tolerance: ToleranceSettings = ToleranceSettings()
    plan: PlanSettings = PlanSettings()
    schedule: ScheduleSettings = ScheduleSettings()
    watch: WatchSettings = WatchSettings()
    safety: SafetySettings = SafetySettings()
    journal: JournalSettings = JournalSettings()
    logging: LoggingSettings = LoggingSettings()
