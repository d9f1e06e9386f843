//! From measurements to the right small action now, and to a better habit over time.
//!
//! [`state`] keeps where the newest row lies and how the advance is biased; [`correction`] turns that
//! into trims; [`resquare`] says when trims are not enough; [`forecast`] looks ahead; [`roll`] is the
//! take-up roll's growth; [`tune`], [`charts`] and [`habit`] learn from many rows, and [`earlier`] lets a new
//! quilt start from what they showed.
//!
//! Everything here is plain numbers in and out. An advance error is split into three modes, because a
//! straight roller can change only the first two:
//!
//! ```text
//! middle  m = ((left + right)/2 + centre)/2       the straight line nearest to the three places
//! lean    h = (right − left)/2                    half of what the right end lies further down
//! sag     s = centre − (left + right)/2           what no roller can take out
//! left = m − s/2 − h     centre = m + s/2     right = m − s/2 + h
//! ```

pub mod charts;
pub mod correction;
pub mod earlier;
pub mod forecast;
pub mod habit;
pub mod resquare;
pub mod roll;
pub mod state;
pub mod statistics;
pub mod tune;
