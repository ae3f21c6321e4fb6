"""The MAVLink messages that have something for a gauge: names, checksum seeds and fields as they are sent.

Source: the published message definitions, github.com/mavlink/mavlink, message_definitions/v1.0/common.xml
(MIT licence). A test holds each row to the code that pymavlink generates from them.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Message:
    """One message. `code` has its numbers as `struct` writes them, in the order of the wire, with extensions.

    `fields` names those that are single numbers; arrays are padding. `seed` is the CRC_EXTRA of its checksum.
    """

    name: str
    number: int
    seed: int
    code: str
    fields: tuple[str, ...]
    struct: struct.Struct = field(init=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "struct", struct.Struct("<" + self.code))

    @property
    def types(self) -> tuple[str, ...]:
        """The code of each field's number."""
        return tuple(letter for letter in self.code if letter.isalpha() and letter != "x")


_TABLE = (
    ("SYS_STATUS", 1, 124, "IIIHHhHHHHHHbIII",
     "onboard_control_sensors_present onboard_control_sensors_enabled onboard_control_sensors_health "
     "load voltage_battery current_battery drop_rate_comm errors_comm errors_count1 errors_count2 "
     "errors_count3 errors_count4 battery_remaining onboard_control_sensors_present_extended "
     "onboard_control_sensors_enabled_extended onboard_control_sensors_health_extended"),
    ("GPS_RAW_INT", 24, 24, "QiiiHHHHBBiIIIIH",
     "time_usec lat lon alt eph epv vel cog fix_type satellites_visible alt_ellipsoid h_acc v_acc "
     "vel_acc hdg_acc yaw"),
    ("SCALED_IMU", 26, 170, "Ihhhhhhhhhh",
     "time_boot_ms xacc yacc zacc xgyro ygyro zgyro xmag ymag zmag temperature"),
    ("SCALED_PRESSURE", 29, 115, "Iffhh",
     "time_boot_ms press_abs press_diff temperature temperature_press_diff"),
    ("ATTITUDE", 30, 39, "Iffffff",
     "time_boot_ms roll pitch yaw rollspeed pitchspeed yawspeed"),
    ("GLOBAL_POSITION_INT", 33, 104, "IiiiihhhH",
     "time_boot_ms lat lon alt relative_alt vx vy vz hdg"),
    ("VFR_HUD", 74, 20, "ffffhH",
     "airspeed groundspeed alt climb heading throttle"),
    ("HIGHRES_IMU", 105, 93, "QfffffffffffffHB",
     "time_usec xacc yacc zacc xgyro ygyro zgyro xmag ymag zmag abs_pressure diff_pressure "
     "pressure_alt temperature fields_updated id"),
    ("HIL_STATE_QUATERNION", 115, 4, "Q16xfffiiihhhHHhhh",
     "time_usec rollspeed pitchspeed yawspeed lat lon alt vx vy vz ind_airspeed true_airspeed xacc "
     "yacc zacc"),
    ("SCALED_IMU2", 116, 76, "Ihhhhhhhhhh",
     "time_boot_ms xacc yacc zacc xgyro ygyro zgyro xmag ymag zmag temperature"),
    ("SCALED_IMU3", 129, 46, "Ihhhhhhhhhh",
     "time_boot_ms xacc yacc zacc xgyro ygyro zgyro xmag ymag zmag temperature"),
    ("DISTANCE_SENSOR", 132, 85, "IHHHBBBBff16xB",
     "time_boot_ms min_distance max_distance current_distance type id orientation covariance "
     "horizontal_fov vertical_fov signal_quality"),
    ("TERRAIN_REPORT", 136, 1, "iiffHHH",
     "lat lon terrain_height current_height spacing pending loaded"),
    ("SCALED_PRESSURE2", 137, 195, "Iffhh",
     "time_boot_ms press_abs press_diff temperature temperature_press_diff"),
    ("ALTITUDE", 141, 47, "Qffffff",
     "time_usec altitude_monotonic altitude_amsl altitude_local altitude_relative altitude_terrain "
     "bottom_clearance"),
    ("SCALED_PRESSURE3", 143, 131, "Iffhh",
     "time_boot_ms press_abs press_diff temperature temperature_press_diff"),
    ("BATTERY_STATUS", 147, 154, "iih20xhBBBbiB8xBI",
     "current_consumed energy_consumed temperature current_battery id battery_function type "
     "battery_remaining time_remaining charge_state mode fault_bitmask"),
    ("EFI_STATUS", 225, 208, "ffffffffffffffffBff",
     "ecu_index rpm fuel_consumed fuel_flow engine_load throttle_position spark_dwell_time "
     "barometric_pressure intake_manifold_pressure intake_manifold_temperature "
     "cylinder_head_temperature ignition_timing injection_time exhaust_gas_temperature throttle_out "
     "pt_compensation health ignition_voltage fuel_pressure"),
    ("AIRSPEED", 295, 234, "ffhBB",
     "airspeed raw_press temperature id flags"),
    ("RAW_RPM", 339, 199, "fB",
     "frequency index"),
)  # fmt: skip

MESSAGES: dict[str, Message] = {
    name: Message(name, number, seed, code, tuple(fields.split()))
    for name, number, seed, code, fields in _TABLE
}
BY_NUMBER: dict[int, Message] = {message.number: message for message in MESSAGES.values()}
