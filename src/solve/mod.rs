//! Least squares, robust loss and covariance; knows no words of quilting.

pub mod levenberg_marquardt;
