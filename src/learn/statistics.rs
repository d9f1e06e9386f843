//! Means, scatters and slopes with their 95 % intervals, for independent normal values.

use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor, Normal, StudentsT};

/// An estimate with its 95 % interval, same unit throughout.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// The estimate.
    pub value: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
}

impl Interval {
    /// An estimate with the same width on both sides.
    pub fn around(value: f64, half_width: f64) -> Interval {
        Interval {
            value,
            low: value - half_width,
            high: value + half_width,
        }
    }

    /// Whether a value lies in the interval.
    pub fn holds(&self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }

    /// Half of the interval's width.
    pub fn half_width(&self) -> f64 {
        (self.high - self.low) / 2.0
    }
}

/// Quantile of Student's t distribution; infinite where there are no degrees of freedom.
pub fn t_quantile(p: f64, degrees: f64) -> f64 {
    // The library's inverse loses digits here (1e-5 at 140 000); the expansion about the normal quantile
    // has them (M. Abramowitz and I. A. Stegun 1964, 26.7.5).
    if degrees > 1000.0 {
        let z = normal_quantile(p);
        let second = (5.0 * z.powi(5) + 16.0 * z.powi(3) + 3.0 * z) / 96.0;
        return z + (z.powi(3) + z) / (4.0 * degrees) + second / (degrees * degrees);
    }
    StudentsT::new(0.0, 1.0, degrees).map_or(f64::INFINITY, |t| t.inverse_cdf(p))
}

/// Two-sided probability of a t value at least as far from 0.
pub fn t_probability(t: f64, degrees: f64) -> f64 {
    StudentsT::new(0.0, 1.0, degrees).map_or(1.0, |d| 2.0 * d.cdf(-t.abs()))
}

/// Quantile of the chi-squared distribution; not a number where there are no degrees of freedom.
pub fn chi_squared_quantile(p: f64, degrees: f64) -> f64 {
    ChiSquared::new(degrees).map_or(f64::NAN, |d| d.inverse_cdf(p))
}

/// Quantile of Fisher's F distribution.
pub fn f_quantile(p: f64, above: f64, below: f64) -> f64 {
    FisherSnedecor::new(above, below).map_or(f64::NAN, |d| d.inverse_cdf(p))
}

/// Quantile of the standard normal distribution.
pub fn normal_quantile(p: f64) -> f64 {
    Normal::standard().inverse_cdf(p)
}

/// Mean; 0 for no values.
pub fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

/// Sum of squared distances from the mean.
pub fn squares(values: &[f64]) -> f64 {
    let mean = mean(values);
    values.iter().map(|v| (v - mean).powi(2)).sum()
}

/// Standard deviation with n − 1; `None` for fewer than two values.
pub fn deviation(values: &[f64]) -> Option<f64> {
    (values.len() >= 2).then(|| (squares(values) / (values.len() as f64 - 1.0)).sqrt())
}

/// Mean with its 95 % t interval; `None` for fewer than two values.
pub fn mean_interval(values: &[f64]) -> Option<Interval> {
    let n = values.len() as f64;
    let half_width = t_quantile(0.975, n - 1.0) * deviation(values)? / n.sqrt();
    Some(Interval::around(mean(values), half_width))
}

/// Standard deviation with its 95 % chi-squared interval; `None` for fewer than two values.
pub fn deviation_interval(values: &[f64]) -> Option<Interval> {
    let value = deviation(values)?;
    deviation_from(value, values.len() as f64 - 1.0)
}

/// 95 % chi-squared interval of a standard deviation with these degrees of freedom.
pub fn deviation_from(value: f64, degrees: f64) -> Option<Interval> {
    (degrees >= 1.0).then(|| Interval {
        value,
        low: value * (degrees / chi_squared_quantile(0.975, degrees)).sqrt(),
        high: value * (degrees / chi_squared_quantile(0.025, degrees)).sqrt(),
    })
}

/// Slope of a straight line through groups that each have a level of their own, with its 95 % t
/// interval; `None` where there is no spread or no degree of freedom left.
///
/// `points` are (group, x, y), groups numbered from 0 without gaps. Within one group this is ordinary
/// least squares (JCGM 100:2008, H.3).
pub fn slope_interval(points: &[(usize, f64, f64)]) -> Option<Interval> {
    let groups = points.iter().map(|p| p.0 + 1).max()?;
    let mut sums = vec![(0.0, 0.0, 0.0); groups];
    for (group, x, y) in points {
        let sum = &mut sums[*group];
        *sum = (sum.0 + 1.0, sum.1 + x, sum.2 + y);
    }
    let levels = sums.iter().filter(|s| s.0 > 0.0).count() as f64;
    let centred = || {
        points.iter().map(|(group, x, y)| {
            let (n, sx, sy) = sums[*group];
            (x - sx / n, y - sy / n)
        })
    };
    let spread: f64 = centred().map(|(x, _)| x * x).sum();
    let degrees = points.len() as f64 - levels - 1.0;
    if spread <= 0.0 || degrees < 1.0 {
        return None;
    }
    let slope = centred().map(|(x, y)| x * y).sum::<f64>() / spread;
    let left: f64 = centred().map(|(x, y)| (y - slope * x).powi(2)).sum();
    let half_width = t_quantile(0.975, degrees) * (left / (degrees * spread)).sqrt();
    Some(Interval::around(slope, half_width))
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use serde_json::Value;

    /// Made by tests/reference/learn/make.py with scipy and statsmodels; versions in the file.
    pub(crate) fn computed() -> Value {
        serde_json::from_str(include_str!("../../tests/reference/learn/computed.json")).unwrap()
    }

    pub(crate) fn numbers(value: &Value) -> Vec<f64> {
        let list = value.as_array().unwrap();
        list.iter().map(|v| v.as_f64().unwrap()).collect()
    }

    #[track_caller]
    pub(crate) fn close(got: f64, expected: &Value, relative: f64) {
        let expected = expected.as_f64().unwrap();
        let allowed = relative * expected.abs().max(1e-3);
        assert!((got - expected).abs() <= allowed, "{got} {expected}");
    }

    #[test]
    fn quantiles_are_those_of_scipy() {
        let computed = computed();
        let table = |name: &str| -> Vec<Vec<f64>> {
            let rows = computed["quantiles"][name].as_array().unwrap();
            rows.iter().map(numbers).collect()
        };
        let near = |got: f64, expected: f64| {
            // 1e-6: three digits more than any number shown.
            assert!(
                (got - expected).abs() < 1e-6 * expected.abs().max(1.0),
                "{got} {expected}"
            );
        };
        for row in table("t") {
            near(t_quantile(row[0], row[1]), row[2]);
        }
        for row in table("chi2") {
            near(chi_squared_quantile(row[0], row[1]), row[2]);
        }
        for row in table("f") {
            near(f_quantile(row[0], row[1], row[2]), row[3]);
        }
        for row in table("normal") {
            near(normal_quantile(row[0]), row[1]);
        }
    }

    #[test]
    fn intervals_are_those_of_scipy_and_statsmodels() {
        let reference = &computed()["intervals"];
        let x = numbers(&reference["x"]);
        let of_mean = mean_interval(&x).unwrap();
        close(of_mean.value, &reference["mean"], 1e-9);
        close(of_mean.low, &reference["mean_low"], 1e-6);
        close(of_mean.high, &reference["mean_high"], 1e-6);
        let of_sd = deviation_interval(&x).unwrap();
        close(of_sd.value, &reference["sd"], 1e-9);
        close(of_sd.low, &reference["sd_low"], 1e-6);
        close(of_sd.high, &reference["sd_high"], 1e-6);
        let points: Vec<_> = (1..).zip(&x).map(|(i, y)| (0, f64::from(i), *y)).collect();
        let slope = slope_interval(&points).unwrap();
        close(slope.value, &reference["slope"], 1e-8);
        close(slope.low, &reference["slope_low"], 1e-6);
        close(slope.high, &reference["slope_high"], 1e-6);
    }

    #[test]
    fn too_few_values_have_no_interval() {
        assert_eq!(mean_interval(&[1.0]), None);
        assert_eq!(deviation_interval(&[]), None);
        assert_eq!(slope_interval(&[(0, 1.0, 1.0), (0, 2.0, 1.0)]), None);
        assert_eq!(slope_interval(&[]), None);
    }
}
