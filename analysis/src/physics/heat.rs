//! First-order heat of an enclosure: what a gap in the record may hide.
//!
//! In: temperatures in °C, a time constant, what heater and lamps can add. Out: plain numbers. Knows no sensor or clock.
//! Model: `dT/dt = (T_room − T)/τ + P/C` with one well-mixed volume; soil, rocks and glass make real enclosures slower at the end.
//! Times and τ share one unit within a call: the functions are written in seconds.

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

    /// The closed solution of the model.
    fn relaxed_c(from_c: f64, steady_c: f64, tau_s: f64, elapsed_s: f64) -> f64 {
        steady_c + (from_c - steady_c) * (-elapsed_s / tau_s).exp()
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

    proptest! {
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
                path.push(relaxed_c(last_c, room_c + share * heating_k, tau_s, step_s));
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
