//! Spread and correlation of a line's deviations.

/// 1.4826 times the median distance from the median; NaN are left out.
pub fn robust_spread(values: &[f64]) -> f64 {
    let mut v: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    if v.len() < 3 {
        return 1.0;
    }
    let middle = v.len() / 2;
    let median = *v.select_nth_unstable_by(middle, f64::total_cmp).1;
    for x in &mut v {
        *x = (*x - median).abs();
    }
    1.4826 * *v.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// How many times the variance of a mean of every `step`-th value exceeds that of independent values:
/// the autocorrelation time, summed until it falls below 0.1.
pub fn inflation(values: &[f64], step: usize) -> f64 {
    let spread = robust_spread(values);
    let v: Vec<f64> = values
        .iter()
        .map(|x| x.clamp(-3.0 * spread, 3.0 * spread))
        .collect();
    let product = |lag: usize| {
        let (sum, n) = v
            .iter()
            .zip(&v[lag.min(v.len())..])
            .filter(|(a, b)| a.is_finite() && b.is_finite())
            .fold((0.0, 0.0), |(s, n), (a, b)| (s + a * b, n + 1.0));
        if n > 0.0 { sum / n } else { 0.0 }
    };
    let zero = product(0).max(1e-12);
    let mut total = 1.0;
    let mut lag = step;
    while lag < 300 && lag < v.len() {
        let rho = product(lag) / zero;
        if rho < 0.1 {
            break;
        }
        total += 2.0 * rho;
        lag += step;
    }
    total
}
