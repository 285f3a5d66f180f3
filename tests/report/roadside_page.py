"""The page for the phone as tests have it written, and the data in it."""

import json

from tuninglib.analysis.day_plan import Aim, SwapTimes, plan_day, start_of
from tuninglib.lab.plan import PHONE_PAGE, write_phone_page

EVERY_COLUMN = (
    "run,setup,rider,entry_speed [km/h],exit_speed [mph],down_entry_speed [km/h],"
    "down_exit_speed [m/s],gauge_low,gauge_high,state,air_temperature [degF],air_pressure [hPa],"
    "humidity [%],headwind [km/h],knock,head_temperature [degC],exclude,note"
)


def write_page(folder, gain=0.1, start=None):
    start = start or start_of(folder)
    day = plan_day(
        Aim(gain=gain, scatter=0.03), setups=start.setups, riders=start.riders, minutes_a_run=6,
        swap=SwapTimes(fuel=45, injector=45, engine=45), richness=start.richness,
    )  # fmt: skip
    return write_phone_page(day, start, folder)


def data_of(folder) -> dict:
    """What the page's script is given."""
    page = (folder / PHONE_PAGE).read_text(encoding="utf-8")
    return json.loads(page.partition('id="data">')[2].partition("</script>")[0])
