//! Numbers that must lie in a range.

/// A number outside what makes sense.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{name} is {value}; it must be above {above} and at most {most}")]
pub struct RangeError {
    /// Which.
    pub name: &'static str,
    /// What was given.
    pub value: f64,
    /// It must be above this.
    pub above: f64,
    /// And at most this.
    pub most: f64,
}

/// Passes a number above one and at most another.
///
/// # Errors
/// [`RangeError`] otherwise, also where it is no number.
pub fn in_range(name: &'static str, value: f64, above: f64, most: f64) -> Result<(), RangeError> {
    if value.is_finite() && value > above && value <= most {
        Ok(())
    } else {
        Err(RangeError {
            name,
            value,
            above,
            most,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_lower_end_is_outside_and_the_upper_end_inside() {
        let taken = |value| in_range("x", value, 0.0, 2.0).is_ok();
        assert!(taken(1e-9) && taken(2.0));
        assert!(!taken(0.0) && !taken(2.1) && !taken(f64::NAN) && !taken(f64::INFINITY));
        let error = in_range("yield", -3.0, 0.0, 2.0).unwrap_err().to_string();
        assert_eq!(error, "yield is -3; it must be above 0 and at most 2");
    }
}
