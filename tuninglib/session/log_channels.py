"""What a log may hold: each channel with its unit, its limits and the names that it goes by."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Channel:
    """One kind of number in a log.

    Attributes
    ----------
    help : str
    unit : str
        In which it is kept; empty for a plain number.
    low, high : float
        Limits in that unit; what lies outside is no reading.
    usual : str
        A unit to show as an example.
    names : tuple of str
        Of columns that are taken for it where nothing else is said, in small letters.
    """

    help: str
    unit: str
    low: float
    high: float
    usual: str = ""
    names: tuple = ()


CHANNELS = {
    "latitude": Channel("north is positive", "degree", -90, 90, "deg", ("latitude", "lat")),
    "longitude": Channel("east is positive", "degree", -180, 180, "deg", ("longitude", "lon")),
    "elevation": Channel("above the sea", "m", -450, 9000, "m", ("elevation", "altitude")),
    "speed": Channel("over the ground", "m/s", -0.5, 120, "km/h", ("speed",)),
    "gauge": Channel("as the gauge shows it", "", 0.2, 45, "", ("gauge", "lambda", "afr")),
    "throttle": Channel("0 shut, 100 % open", "1", -0.05, 1.05, "%", ("throttle",)),
    "engine_speed": Channel("of the crankshaft", "1/min", 0, 25000, "rpm", ("engine_speed", "rpm")),
    "head_temperature": Channel("of the head", "K", 200, 800, "degC", ("head_temperature",)),
    "air_temperature": Channel("of the air", "K", 200, 350, "degC", ("air_temperature",)),
}
# The names of Trace's arrays.
SI_NAMES = {
    "latitude": "latitude_deg",
    "longitude": "longitude_deg",
    "elevation": "elevation_m",
    "speed": "speed_m_s",
    "gauge": "gauge",
    "throttle": "throttle_ratio",
    "engine_speed": "engine_speed_rpm",
    "head_temperature": "head_temperature_k",
    "air_temperature": "air_temperature_k",
}
TIME_NAMES = ("time", "timestamp")
