//! How is the matrix of an adjustment taken apart quickly?
//!
//! Cholesky's decomposition A = L L^T of matrices of some tens of rows, several rows of a column at once. Every number comes of the same operations in
//! the same order as in `nalgebra`'s own, which works on one column after the other and takes more than twice as long.

use nalgebra::{Cholesky, DMatrix, Dyn};

use crate::vectors::widest;

/// Rows that are computed together: two of the widest vectors.
const TOGETHER: usize = 8;

/// The decomposition of a symmetric matrix, of which the lower triangle counts; `None` where it is not positive definite.
pub(super) fn cholesky(a: &DMatrix<f64>) -> Option<Cholesky<f64, Dyn>> {
    let n = a.nrows();
    // Columns are as long as whole groups of rows; what fills them is nothing, and stays nothing.
    let tall = n.next_multiple_of(TOGETHER);
    let mut l = vec![0.0; tall * n];
    for (to, from) in l.chunks_exact_mut(tall.max(1)).zip(a.as_slice().chunks_exact(n.max(1))) {
        to[..n].copy_from_slice(from);
    }
    let definite = widest(
        #[inline(always)]
        || (0..n).all(|j| column(&mut l, tall, j)),
    );
    definite.then(|| {
        let lower = l.chunks_exact(tall.max(1)).flat_map(|column| &column[..n]);
        Cholesky::pack_dirty(DMatrix::from_iterator(n, n, lower.copied()))
    })
}

/// Computes column `j` from those before it; false where the matrix is not positive definite. Above the diagonal comes what nobody asks for.
#[inline(always)]
fn column(l: &mut [f64], tall: usize, j: usize) -> bool {
    let (before, rest) = l.split_at_mut(j * tall);
    let (own, _) = rest.split_at_mut(tall);
    let first = j / TOGETHER * TOGETHER;
    let mut root = 0.0;
    for (at, own) in (first..tall).step_by(TOGETHER).zip(own[first..].chunks_exact_mut(TOGETHER)) {
        let mut sums = [0.0f64; TOGETHER];
        sums.copy_from_slice(own);
        for before in before.chunks_exact(tall) {
            let factor = -before[j];
            let rows = &before[at..at + TOGETHER];
            for k in 0..TOGETHER {
                sums[k] += factor * rows[k];
            }
        }
        if at == first {
            let diagonal = sums[j - first];
            if diagonal.is_nan() || diagonal <= 0.0 {
                return false;
            }
            root = diagonal.sqrt();
        }
        for k in 0..TOGETHER {
            own[k] = sums[k] / root;
        }
        if at == first {
            own[j - first] = root;
        }
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};

    #[test]
    fn the_same_bits_as_the_library() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(11);
        for n in (0..=26).chain([48, 60, 61]) {
            let b = DMatrix::from_fn(n, n + 2, |_, _| rng.random_range(-1.0..1.0));
            let a = &b * b.transpose();
            let (own, library) = (cholesky(&a).unwrap(), a.cholesky().unwrap());
            assert_eq!(own.l(), library.l(), "{n}");
        }
    }

    #[test]
    fn what_is_not_definite_has_none() {
        let mut a = DMatrix::<f64>::identity(13, 13);
        assert!(cholesky(&a).is_some());
        for bad in [0.0, -1.0, f64::NAN] {
            a[(11, 11)] = bad;
            assert!(cholesky(&a).is_none() && a.clone().cholesky().is_none(), "{bad}");
        }
    }
}
