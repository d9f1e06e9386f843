//! The middle of some values.

use std::cmp::Ordering;

/// The middle one of some values (the upper of two) in an order, such as [`f64::total_cmp`]; `None` where there are none.
pub fn median<T: Copy>(mut values: Vec<T>, order: fn(&T, &T) -> Ordering) -> Option<T> {
    let middle = values.len() / 2;
    (!values.is_empty()).then(|| *values.select_nth_unstable_by(middle, order).1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_median_is_the_middle_one_or_the_upper_of_two() {
        assert_eq!(median(vec![3.0, 1.0, 2.0], f64::total_cmp), Some(2.0));
        assert_eq!(median(vec![4.0, 1.0, 3.0, 2.0], f32::total_cmp), Some(3.0));
        assert_eq!(median(Vec::new(), f32::total_cmp), None);
    }
}
