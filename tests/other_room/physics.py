"""Weather, room and enclosure by heat and moisture balances, one step a minute. All of it is invented data.

In: a random generator, the local hour and day of the year by the minute, the constants of an enclosure (see plan.py)
and what drives it.
Out: arrays by the minute, temperatures in °C and vapour in g/m3. Shares of 0 to 1 have no unit.
"""

import math

import numpy as np

STEP_S = 60.0
DAY = 1440  # steps, which are minutes

# Textbook: Magnus form over water with Sonntag's constants, and the gas law for vapour.
MAGNUS_HPA, MAGNUS_FACTOR, MAGNUS_C = 6.112, 17.62, 243.12
VAPOUR_G_K_PER_M3_HPA = 216.7
ZERO_C_K = 273.15
# Textbook, rounded.
LATENT_HEAT_J_G = 2450.0
AIR_HEAT_J_M3_K = 1200.0
YEAR_DAYS = 365.25
# Own choice: the weather.
WARMEST_DAY_OF_YEAR, WARMEST_HOUR = 205, 15.5
# Own choice: the room.
ROOM_STEP_MIN = 10
CELLAR_GROUND_SHARE = 0.75  # how far the ground, not the weather, sets a cellar's temperature
CELLAR_DAY_NIGHT_C = (15.0, 14.0)
WINDOWS_OPEN_C = 22.5
ROOM_DAY_HOURS = (6.5, 22.5)
ROOM_RISE_K_H = 1.2  # the most that the room's heating can do
ROOM_VAPOUR_LEAST_G_M3, ROOM_HUMIDITY_MOST = 2.0, 0.74
# Own choice: where warmth goes, as shares of warm end, cool end and soil.
LAMP_SHARES = (0.62, 0.18, 0.20)
SUN_SHARES = (0.5, 0.3, 0.2)
HEATER_SHARES = (0.75, 0.25)  # of what the mat does not give to the soil
COOLING_MOST_W = 25.0
# Own choice: where misted water goes.
MIST_TO_AIR, MIST_TO_LEAVES, MIST_TO_SOIL = 0.012, 0.37, 0.62
LEAVES_HOLD_FILMS = 4
GLASS_WARMTH = 0.55  # how far the glass is from the room's temperature to the air's
GLASS_RUNS_OFF_S = 7200
SOIL_DRY_AT, SOIL_WET_OVER = 0.08, 0.5  # shares of full: no evaporation below the first, full that much above it
DEW_MOST_G = 1.0  # on leaves in one step


def saturated(celsius):
    """Vapour density at saturation over water, g/m3, of an array."""
    pressure_hpa = MAGNUS_HPA * np.exp(MAGNUS_FACTOR * celsius / (MAGNUS_C + celsius))
    return VAPOUR_G_K_PER_M3_HPA * pressure_hpa / (ZERO_C_K + celsius)


def saturated_one(celsius):
    """The same of one number, which is much faster so."""
    pressure_hpa = MAGNUS_HPA * math.exp(MAGNUS_FACTOR * celsius / (MAGNUS_C + celsius))
    return VAPOUR_G_K_PER_M3_HPA * pressure_hpa / (ZERO_C_K + celsius)


def wander(rng, minutes, step_min, days, sd):
    """A slow wander (Ornstein and Uhlenbeck) of standard deviation `sd`, correlated over `days`."""
    knots = minutes // step_min + 3
    kept = math.exp(-step_min / (days * DAY))
    at_knots = np.empty(knots)
    at_knots[0] = rng.normal(0, sd)
    kicks = rng.normal(0, sd * math.sqrt(1 - kept * kept), knots)
    for i in range(1, knots):
        at_knots[i] = kept * at_knots[i - 1] + kicks[i]
    return np.interp(np.arange(minutes), np.arange(knots) * step_min, at_knots)


def smooth(values, lag_min):
    """First-order lag; none at all where it is much shorter than a step."""
    if lag_min < 0.3:
        return values
    share = 1 - math.exp(-1.0 / lag_min)
    out, state = [], float(values[0])
    for value in values.tolist():
        state += share * (value - state)
        out.append(state)
    return np.array(out)


def weather(rng, minutes, hour, day_of_year, south):
    """Outdoor temperature (°C), vapour (g/m3) and sunshine (0 to 1)."""
    season = np.cos(2 * np.pi * (day_of_year - WARMEST_DAY_OF_YEAR) / YEAR_DAYS) * (-1 if south else 1)
    mean = rng.uniform(10, 15) + rng.uniform(7, 10) * season
    front = wander(rng, minutes, 120, 2.5, 2.8)
    clear = np.clip(0.55 + wander(rng, minutes, 60, 0.8, 0.35), 0, 1)
    swing = (2 + 3.5 * clear) * np.cos(2 * np.pi * (hour - WARMEST_HOUR) / 24)
    dew_point = mean + 0.7 * front - rng.uniform(3.5, 6.5) - 0.18 * np.clip(mean - 10, 0, None)
    dew_point = dew_point + wander(rng, minutes, 120, 2.0, 1.8) - 1.5 * clear
    sun = clear * np.clip(np.sin(np.pi * (hour - 6) / 12), 0, None) * (0.75 + 0.25 * season)
    return mean + front + swing, saturated(dew_point), sun


def room(rng, hour, outdoor_c, vapour, sun, kind, power, heat_wave_k):
    """Temperature and vapour of the room: one node, heated with a night setback, windows opened when warm."""
    minutes, cellar = len(hour), kind == "cellar"
    lag_s = rng.uniform(20, 45) * 3600
    gain_k = rng.uniform(2.0, 4.0)
    ground_share = CELLAR_GROUND_SHARE if cellar else 0.0
    ground_c = rng.uniform(13.5, 16.0)
    day_c, night_c = CELLAR_DAY_NIGHT_C if cellar else (rng.uniform(20, 21.5), rng.uniform(17.5, 19.5))
    west_window_k_h = 0.0 if cellar else rng.uniform(0, 3.0)
    celsius = day_c
    knots = []
    for i in range(0, minutes, ROOM_STEP_MIN):
        free_c = (1 - ground_share) * (outdoor_c[i] + gain_k) + ground_share * ground_c
        pull = 1.0
        if celsius > WINDOWS_OPEN_C and outdoor_c[i] < celsius and not cellar:
            pull = 3.0
            free_c = outdoor_c[i] + 0.8 * gain_k
        rate = pull * (free_c - celsius) / lag_s
        if not cellar:
            rate += west_window_k_h * sun[i] / 3600 * (1.0 if 12 < hour[i] < 19 else 0.3) * 0.35
        want_c = day_c if ROOM_DAY_HOURS[0] <= hour[i] < ROOM_DAY_HOURS[1] else night_c
        if celsius < want_c and power[i] > 0.5:
            rate += min(ROOM_RISE_K_H, want_c - celsius + 0.2) / 3600
        celsius += rate * ROOM_STEP_MIN * STEP_S
        knots.append(celsius)
    warmth = np.interp(np.arange(minutes), np.arange(len(knots)) * ROOM_STEP_MIN, knots)
    warmth = warmth + heat_wave_k + wander(rng, minutes, 30, 0.15, 0.15)
    inside = smooth(vapour + rng.uniform(0.5, 1.8) + wander(rng, minutes, 30, 0.25, 0.5), 90)
    return warmth, np.clip(inside, ROOM_VAPOUR_LEAST_G_M3, ROOM_HUMIDITY_MOST * saturated(warmth))


class Heater:
    """A thermostat and its heater, which warms and cools slowly."""

    def __init__(self, constants):
        self.watts, self.hysteresis_k = constants["heater_w"], constants["heat_hyst_k"]
        self.share = 1 - math.exp(-1 / constants["heater_lag_min"])
        self.calling, self.given_w = False, 0.0

    def step(self, shown_c, set_c, forced, power, intact):
        """Whether it is switched on."""
        if not self.watts:
            return False
        if forced:
            self.calling = True
        elif shown_c >= set_c:
            self.calling = False
        elif shown_c < set_c - self.hysteresis_k:
            self.calling = True
        on = self.calling and power > 0
        self.given_w += self.share * ((self.watts if on and intact else 0.0) - self.given_w)
        return on


class Fogger:
    """A humidistat and its fogger."""

    def __init__(self, constants):
        self.g_s, self.hysteresis_pct = constants["fog_g_h"] / 3600.0, constants["fog_hyst_pct"]
        self.calling = False

    def step(self, shown_pct, set_pct, power):
        """Whether it is switched on."""
        if shown_pct >= set_pct:
            self.calling = False
        elif shown_pct < set_pct - self.hysteresis_pct:
            self.calling = True
        return self.calling and power > 0


class Box:
    """The enclosure: warm end, cool end and soil; vapour; water on leaves, on glass and in the soil."""

    def __init__(self, constants, room_c, room_vapour):
        self.constants = constants
        self.warm_c = self.cool_c = self.soil_c = room_c + 2
        self.vapour = room_vapour + 5
        self.leaf_g, self.glass_g, self.soil_g = 2.0, 0.0, 0.75 * constants["soil_full_g"]
        self.soil_held, self.soil_lost_g = constants["hold_soil"], 0.0

    def moisture(self, room_c, room_vapour, vent, mist_g, water_g, plants, fog_g_s):
        """One step of vapour (implicit) and water; the grams that leaves and soil gave off."""
        c = self.constants
        volume, film, full = c["volume_m3"], c["film_g"], c["soil_full_g"]
        air_c = 0.5 * (self.warm_c + self.cool_c)
        air_holds, soil_holds = saturated_one(air_c), saturated_one(self.soil_c)
        glass_holds = saturated_one(room_c + GLASS_WARMTH * (air_c - room_c))
        leaf = c["leaf_m3_s"] * self.leaf_g / (self.leaf_g + film)
        soil = c["soil_m3_s"] * min(1.0, max(0.0, (self.soil_g / full - SOIL_DRY_AT) / SOIL_WET_OVER))
        glass = c["glass_m3_s"] if (self.glass_g > 0 or self.vapour > glass_holds) else 0.0
        source = MIST_TO_AIR * mist_g / STEP_S + fog_g_s + plants * max(0.0, air_holds - self.vapour)
        given = leaf * air_holds + soil * soil_holds + glass * glass_holds + vent * volume * room_vapour + source
        vapour = self.vapour + STEP_S / volume * given
        vapour = vapour / (1 + STEP_S / volume * (leaf + soil + glass + vent * volume))
        leaf_off_g = max(-DEW_MOST_G, leaf * (air_holds - vapour) * STEP_S)
        soil_off_g = soil * (soil_holds - vapour) * STEP_S
        glass_off_g = min(self.glass_g, glass * (glass_holds - vapour) * STEP_S)
        if vapour > air_holds:
            self.leaf_g += (vapour - air_holds) * volume
            vapour = air_holds
        self.vapour = vapour
        self.leaf_g = max(0.0, self.leaf_g + MIST_TO_LEAVES * mist_g - leaf_off_g)
        if self.leaf_g > LEAVES_HOLD_FILMS * film:
            self.soil_g += self.leaf_g - LEAVES_HOLD_FILMS * film
            self.leaf_g = LEAVES_HOLD_FILMS * film
        self.glass_g -= glass_off_g
        run_off_g = self.glass_g * STEP_S / GLASS_RUNS_OFF_S
        self.glass_g -= run_off_g
        if self.soil_held:
            self.soil_lost_g += soil_off_g - MIST_TO_SOIL * mist_g - run_off_g
        else:
            soil_g = self.soil_g + MIST_TO_SOIL * mist_g + water_g + run_off_g - soil_off_g
            self.soil_g = max(0.0, min(full, soil_g))
        return leaf_off_g, soil_off_g

    def heat(self, room_c, vent, lamp_w, sun_w, heater_w, leaf_off_g, soil_off_g):
        """One step of the three temperatures (explicit)."""
        c = self.constants
        warm, cool, soil = self.warm_c, self.cool_c, self.soil_c
        mix, ground, mat = c["mix_w_k"], c["soil_w_k"], c["mat_share"]
        cooling_w = min(LATENT_HEAT_J_G * (leaf_off_g + 0.5 * soil_off_g) / STEP_S, COOLING_MOST_W)
        loss = 0.5 * c["loss_w_k"] + 0.5 * vent * c["volume_m3"] * AIR_HEAT_J_M3_K
        warm_w = lamp_w * LAMP_SHARES[0] + sun_w * SUN_SHARES[0] + heater_w * (1 - mat) * HEATER_SHARES[0]
        warm_w = warm_w - 0.5 * cooling_w - loss * (warm - room_c) - mix * (warm - cool) - ground * (warm - soil)
        cool_w = lamp_w * LAMP_SHARES[1] + sun_w * SUN_SHARES[1] + heater_w * (1 - mat) * HEATER_SHARES[1]
        cool_w = cool_w - 0.5 * cooling_w - loss * (cool - room_c) - mix * (cool - warm) - ground * (cool - soil)
        soil_w = lamp_w * LAMP_SHARES[2] + sun_w * SUN_SHARES[2] + heater_w * mat
        soil_w = soil_w - LATENT_HEAT_J_G * 0.5 * soil_off_g / STEP_S
        soil_w = soil_w - ground * (2 * soil - warm - cool) - c["floor_w_k"] * (soil - room_c)
        self.warm_c += STEP_S * warm_w / c["air_j_k"]
        self.cool_c += STEP_S * cool_w / c["air_j_k"]
        self.soil_c += STEP_S * soil_w / c["soil_j_k"]


def run(constants, drive):
    """One enclosure. `drive`: arrays by the minute. Gives the true traces and the states of the devices."""
    minutes = len(drive["room_t"])
    drive = {name: values.tolist() for name, values in drive.items()}
    room_t, room_v, lamp, vent, power = (drive[k] for k in ("room_t", "room_v", "lamp_w", "vent_per_s", "power"))
    probe_out, hold = drive["probe_out"], drive["probe_hold"]
    probe_where, probe_local = constants["probe_where"], constants["probe_local"]
    probe_share = 1 - math.exp(-1 / constants["probe_lag_min"])
    box, heater, fogger = Box(constants, room_t[0], room_v[0]), Heater(constants), Fogger(constants)
    probe_c, shown_pct = box.warm_c, 60.0
    trace = {name: np.empty(minutes) for name in ("warm", "cool", "soil", "vapour", "leaf")}
    trace |= {name: np.zeros(minutes, bool) for name in ("heater", "fogger")}
    warm, cool, soil, vapour, leaf, heating, fogging = trace.values()
    for i in range(minutes):
        # The controllers read their probe.
        at_probe_c = box.warm_c + probe_where * (box.cool_c - box.warm_c)
        at_probe_c += probe_out[i] * (room_t[i] - at_probe_c)
        probe_c += probe_share * (at_probe_c - probe_c)
        heating[i] = heater.step(
            probe_c + drive["error_k"][i], drive["heat_set_c"][i], drive["heat_force"][i], power[i], drive["heat_ok"][i]
        )
        fog_g_s = 0.0
        if fogger.g_s:
            if not hold[i]:
                at_probe = box.vapour + probe_local * (box.vapour - room_v[i])
                at_probe += probe_out[i] * (room_v[i] - at_probe)
                true_pct = min(100.0, 100 * at_probe / saturated_one(at_probe_c))
                shown_pct = true_pct * drive["gain"][i] + drive["error_pct"][i]
            fogging[i] = fogger.step(shown_pct, drive["fog_set_pct"][i], power[i])
            fog_g_s = fogger.g_s if fogging[i] else 0.0
        leaf_off_g, soil_off_g = box.moisture(
            room_t[i], room_v[i], vent[i], drive["mist_g"][i], drive["water_g"][i], drive["plants_m3_s"][i], fog_g_s
        )
        box.heat(room_t[i], vent[i], lamp[i], drive["sun_w"][i], heater.given_w, leaf_off_g, soil_off_g)
        warm[i], cool[i], soil[i], vapour[i], leaf[i] = box.warm_c, box.cool_c, box.soil_c, box.vapour, box.leaf_g
    return trace | {"soil_lost_g_day": box.soil_lost_g / minutes * DAY}
