//! First-order heat of an enclosure: warming, cooling, and what a gap in the record may hide.
//!
//! In: temperatures in °C, a time constant, what heater and lamps can add. Out: plain numbers. Knows no sensor or clock.
//! Model: `dT/dt = (T_room − T)/τ + P/C` with one well-mixed volume; soil, rocks and glass make real enclosures slower at the end.
//! Times and τ share one unit within a call: the functions are written in seconds.

/// Temperature, in °C, after `elapsed_s` of relaxing from `from_c` towards `steady_c` with the time constant `tau_s > 0`.
pub fn temperature_after_c(from_c: f64, steady_c: f64, tau_s: f64, elapsed_s: f64) -> f64 {
    steady_c + (from_c - steady_c) * (-elapsed_s / tau_s).exp()
}

/// Time, in s, until a temperature that relaxes from `from_c` towards `steady_c` reaches `limit_c`.
///
/// After a power cut `steady_c` is the room's temperature; with a heater on it is the room's plus what the heater adds.
///
/// # Returns
/// `Some(0.0)` when it starts on the limit; `None` when the limit does not lie between `from_c` and `steady_c` (it has been passed
/// already or is never reached) or when `tau_s` is not positive.
///
/// # Method
/// `t = τ ln((T_0 − T_s)/(T_L − T_s))`, the closed solution of the model.
pub fn time_to_reach_s(from_c: f64, limit_c: f64, steady_c: f64, tau_s: f64) -> Option<f64> {
    if !(tau_s > 0.0 && from_c.is_finite() && limit_c.is_finite() && steady_c.is_finite()) {
        return None;
    }
    let (distance_k, limit_distance_k) = (from_c - steady_c, limit_c - steady_c);
    if distance_k == limit_distance_k {
        return Some(0.0);
    }
    let ratio = distance_k / limit_distance_k;
    (ratio > 1.0 && ratio.is_finite()).then(|| tau_s * ratio.ln())
}

/// A gap in the record, and what could have acted inside it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gap {
    /// Last reading before the gap, °C.
    pub before_c: f64,
    /// First reading after it, °C.
    pub after_c: f64,
    /// Room temperature during the gap, °C.
    pub room_c: f64,
    /// What heater and lamps together add in the long run, K; positive.
    pub heating_k: f64,
    /// Time constant of the enclosure, s; positive.
    pub tau_s: f64,
    /// Length of the gap, s; positive.
    pub gap_s: f64,
}

/// The extreme that a gap may hide.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HiddenExtreme {
    /// The temperature, °C.
    pub temperature_c: f64,
    /// How long the first part of the extreme path lasts, s: full heat for the highest, free cooling for the lowest.
    pub after_s: f64,
}

/// The readings around a gap cannot be joined with the stated room, heating and time constant: one of them is wrong.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error(
    "no heating joins {before_c} °C and {after_c} °C over {gap_s} s: room temperature, heating or time constant is wrong"
)]
pub struct Contradiction {
    pub before_c: f64,
    pub after_c: f64,
    pub gap_s: f64,
}

/// The highest temperature, in °C, that the gap can hide.
///
/// # Errors
/// [`Contradiction`] when the model cannot join the two readings, or a length, τ or heating is not positive.
///
/// # Method
/// The extreme path heats fully for `x` and then cools freely to the reading after the gap:
/// `u = ((T_b − T_r) e^{g/τ} − (T_a − T_r − ΔT))/ΔT`, `x = τ ln u`, `T_max = T_r + ΔT + (T_a − T_r − ΔT)/u`.
///
/// # Accuracy
/// All digits of the reference cases: `tests::highest_against_the_cases`.
pub fn highest_in_gap(gap: &Gap) -> Result<HiddenExtreme, Contradiction> {
    extreme(gap, gap.room_c + gap.heating_k, gap.room_c)
}

/// The lowest temperature, in °C, that the gap can hide: the mirror of [`highest_in_gap`], free cooling first, then full heat.
///
/// # Errors
/// As for [`highest_in_gap`].
pub fn lowest_in_gap(gap: &Gap) -> Result<HiddenExtreme, Contradiction> {
    extreme(gap, gap.room_c, gap.room_c + gap.heating_k)
}

/// Relaxes towards `first_c` for a time and then towards `then_c`, such that the path ends on the reading after the gap.
fn extreme(gap: &Gap, first_c: f64, then_c: f64) -> Result<HiddenExtreme, Contradiction> {
    let contradiction = Contradiction {
        before_c: gap.before_c,
        after_c: gap.after_c,
        gap_s: gap.gap_s,
    };
    if !(gap.heating_k > 0.0 && gap.tau_s > 0.0 && gap.gap_s > 0.0) {
        return Err(contradiction);
    }
    let grown = (gap.gap_s / gap.tau_s).exp();
    let u = ((gap.after_c - then_c) * grown - (gap.before_c - first_c)) / (first_c - then_c);
    let after_s = gap.tau_s * u.ln();
    // A first part outside the gap means that even the extreme path cannot end on the reading.
    if !(0.0..=gap.gap_s).contains(&after_s) {
        return Err(contradiction);
    }
    Ok(HiddenExtreme {
        temperature_c: first_c + (gap.before_c - first_c) / u,
        after_s,
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::Value;

    use super::*;

    const CASES: &str = include_str!("../../../tests/reference/model_cases.json");
    const S_PER_H: f64 = 3600.0;

    fn cases(of: &str) -> Vec<Value> {
        let all: Value = serde_json::from_str(CASES).expect("the cases are JSON");
        all[of]["cases"].as_array().expect("the cases are a list").clone()
    }

    #[track_caller]
    fn number(case: &Value, name: &str) -> f64 {
        case[name].as_f64().expect("the case has this number")
    }

    fn numbers(case: &Value, name: &str) -> Vec<f64> {
        case[name]
            .as_array()
            .expect("a list")
            .iter()
            .map(|v| v.as_f64().expect("a number"))
            .collect()
    }

    #[test]
    fn relaxation_against_the_cases() {
        for case in cases("rc_step") {
            let steady_c = number(&case, "T_room") + number(&case, "delta_T_heater_steady");
            let (from_c, tau_s) = (number(&case, "T0"), number(&case, "tau_s"));
            for (t_s, expected_c) in numbers(&case, "t_s").into_iter().zip(numbers(&case, "T")) {
                assert!((temperature_after_c(from_c, steady_c, tau_s, t_s) - expected_c).abs() < 1e-8);
            }
            let to_28_s = time_to_reach_s(from_c, 28.0, steady_c, tau_s).expect("28 °C is on the way");
            assert!((to_28_s - number(&case, "time_to_28C_s")).abs() < 1e-4);
        }
    }

    #[test]
    fn highest_against_the_cases() {
        let mut contradiction_count = 0;
        for case in cases("highest_temperature_possible_inside_a_gap") {
            let gap = Gap {
                before_c: number(&case, "T_before"),
                after_c: number(&case, "T_after"),
                room_c: number(&case, "T_room"),
                heating_k: number(&case, "delta_T_heater"),
                tau_s: number(&case, "tau_h") * S_PER_H,
                gap_s: number(&case, "gap_h") * S_PER_H,
            };
            let highest = highest_in_gap(&gap);
            if case["feasible"] == Value::Bool(true) {
                let highest = highest.expect("the case is feasible");
                assert!((highest.temperature_c - number(&case, "highest_possible_c")).abs() < 1e-8);
                assert!((highest.after_s / S_PER_H - number(&case, "heater_on_h")).abs() < 1e-8);
            } else {
                assert!(highest.is_err());
                contradiction_count += 1;
            }
        }
        assert_eq!(contradiction_count, 1);
    }

    #[test]
    fn a_limit_behind_or_beyond_is_never_reached() {
        assert_eq!(time_to_reach_s(24.0, 18.0, 20.0, 5400.0), None);
        assert_eq!(time_to_reach_s(24.0, 25.0, 20.0, 5400.0), None);
        assert_eq!(time_to_reach_s(24.0, 20.0, 20.0, 5400.0), None);
        assert_eq!(time_to_reach_s(24.0, 24.0, 20.0, 5400.0), Some(0.0));
        assert_eq!(time_to_reach_s(20.0, 20.0, 20.0, 5400.0), Some(0.0));
        assert_eq!(time_to_reach_s(24.0, 21.0, 20.0, 0.0), None);
        assert_eq!(time_to_reach_s(f64::NAN, 21.0, 20.0, 5400.0), None);
    }

    proptest! {
        #[test]
        fn reaching_the_limit_takes_the_stated_time(
            from_c in 15.0..35.0_f64, steady_c in 5.0..40.0_f64, share in 0.05..0.95_f64, tau_s in 600.0..20_000.0_f64,
        ) {
            prop_assume!((from_c - steady_c).abs() > 0.1);
            let limit_c = from_c + share * (steady_c - from_c);
            let time_s = time_to_reach_s(from_c, limit_c, steady_c, tau_s).expect("the limit is on the way");
            prop_assert!((temperature_after_c(from_c, steady_c, tau_s, time_s) - limit_c).abs() < 1e-9);
        }

        /// Any on/off pattern inside the gap stays between the two extremes.
        #[test]
        fn no_heating_pattern_leaves_the_extremes(
            before_c in 21.0..30.0_f64, on in proptest::collection::vec(0.0..1.0_f64, 4..20), gap_s in 600.0..30_000.0_f64,
        ) {
            let (room_c, heating_k, tau_s) = (21.0, 9.0, 5400.0);
            let step_s = gap_s / on.len() as f64;
            let mut path = vec![before_c];
            for share in &on {
                let last_c = path[path.len() - 1];
                path.push(temperature_after_c(last_c, room_c + share * heating_k, tau_s, step_s));
            }
            let gap = Gap { before_c, after_c: path[path.len() - 1], room_c, heating_k, tau_s, gap_s };
            let highest_c = highest_in_gap(&gap).expect("the path shows that it is possible").temperature_c;
            let lowest_c = lowest_in_gap(&gap).expect("the path shows that it is possible").temperature_c;
            for t_c in path {
                prop_assert!(t_c <= highest_c + 1e-9 && t_c >= lowest_c - 1e-9);
            }
        }
    }
}
