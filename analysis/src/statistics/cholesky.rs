//! Symmetric positive definite systems by the Cholesky factor. Source: [GolubVanLoan] 4.2 in `SOURCES.md`.
//!
//! Matrices are lower triangles: row `i` has `i + 1` numbers.

/// The lower triangle `l` with `l · transposed l` = the matrix of `entry(i, j)`, `i` and `j` below `count`, of which `j ≤ i` are asked for;
/// `None` where it is not positive definite.
pub(crate) fn factor(count: usize, entry: impl Fn(usize, usize) -> f64) -> Option<Vec<Vec<f64>>> {
    let mut lower: Vec<Vec<f64>> = Vec::with_capacity(count);
    for i in 0..count {
        let mut row = Vec::with_capacity(i + 1);
        for j in 0..=i {
            let other: &[f64] = if j < i { &lower[j] } else { &row };
            let known: f64 = row.iter().zip(other).take(j).map(|(a, b)| a * b).sum();
            let left = entry(i, j) - known;
            if i == j {
                if left <= 0.0 {
                    return None;
                }
                row.push(left.sqrt());
            } else {
                row.push(left / lower[j][j]);
            }
        }
        lower.push(row);
    }
    Some(lower)
}

/// Solves `lower · x = column`.
pub(crate) fn forward(lower: &[Vec<f64>], column: &[f64]) -> Vec<f64> {
    let mut solved = Vec::with_capacity(column.len());
    for (row, value) in lower.iter().zip(column) {
        let known: f64 = row.iter().zip(&solved).map(|(l, x): (&f64, &f64)| l * x).sum();
        solved.push((value - known) / row[solved.len()]);
    }
    solved
}

/// Solves `transposed lower · x = column`.
pub(crate) fn backward(lower: &[Vec<f64>], column: &[f64]) -> Vec<f64> {
    let mut solved = column.to_vec();
    for row in (0..lower.len()).rev() {
        solved[row] /= lower[row][row];
        let value = solved[row];
        for (left, l) in solved.iter_mut().zip(&lower[row][..row]) {
            *left -= l * value;
        }
    }
    solved
}

/// The sum of products of two columns.
pub(crate) fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A widely printed worked example (memory).
    const MATRIX: [[f64; 3]; 3] = [[4.0, 12.0, -16.0], [12.0, 37.0, -43.0], [-16.0, -43.0, 98.0]];

    #[test]
    fn the_factor_of_the_worked_example_solves_its_system() {
        let lower = factor(3, |i, j| MATRIX[i][j]).expect("positive definite");
        assert_eq!(lower, [vec![2.0], vec![6.0, 1.0], vec![-8.0, 5.0, 3.0]]);
        let right = [1.0, 2.0, 3.0];
        let x = backward(&lower, &forward(&lower, &right));
        for (row, wanted) in MATRIX.iter().zip(right) {
            assert!((dot(row, &x) - wanted).abs() < 1e-9, "{x:?}");
        }
    }

    #[test]
    fn what_is_not_positive_definite_is_refused() {
        assert_eq!(factor(2, |i, j| if i == j { 1.0 } else { 2.0 }), None);
    }
}
