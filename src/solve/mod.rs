//! Least squares, robust loss, covariance, the median; knows no words of quilting.

pub mod levenberg_marquardt;
pub mod median;
