//! How is the matrix of an adjustment taken apart quickly?
//!
//! Cholesky's decomposition A = L L^T of matrices of some tens of rows, several rows of a column at once. Every number comes of the same operations in
//! the same order as in `nalgebra`'s own, which works on one column after the other and takes more than twice as long.

use nalgebra::{Cholesky, DMatrix, Dyn};

use crate::vectors::widest;

/// Rows of a group: two of the widest vectors.
const TOGETHER: usize = 8;
/// Groups that are computed together while there are as many left: a sum waits for the one before, and four vectors wait less than two.
const GROUPS: usize = 2;

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
        || {
            // A loop: an iterator's closure would not be inlined where vectors are wide.
            for j in 0..n {
                if !column(&mut l, tall, j) {
                    return false;
                }
            }
            true
        },
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
    let mut at = j / TOGETHER * TOGETHER;
    let mut root = 0.0;
    while at < tall {
        if at + GROUPS * TOGETHER <= tall {
            rows::<GROUPS>(before, own, (tall, j, at), &mut root);
            at += GROUPS * TOGETHER;
        } else {
            rows::<1>(before, own, (tall, j, at), &mut root);
            at += TOGETHER;
        }
    }
    // Of what is negative there is no root, and nothing is none to divide by.
    root > 0.0
}

/// Computes G groups of rows of column `j` from row `at` on. The first ones hold the diagonal, whose root is `root` from then on.
#[inline(always)]
fn rows<const G: usize>(before: &[f64], own: &mut [f64], (tall, j, at): (usize, usize, usize), root: &mut f64) {
    let first = at <= j;
    let own = &mut own[at..at + G * TOGETHER];
    let mut sums = [[0.0f64; TOGETHER]; G];
    sums.as_flattened_mut().copy_from_slice(own);
    for before in before.chunks_exact(tall) {
        let factor = -before[j];
        let rows = &before[at..at + G * TOGETHER];
        for g in 0..G {
            for k in 0..TOGETHER {
                sums[g][k] += factor * rows[g * TOGETHER + k];
            }
        }
    }
    if first {
        // Not by its index, which would take the sums out of registers.
        *root = (0..TOGETHER).filter(|k| at + k == j).map(|k| sums[0][k]).sum::<f64>().sqrt();
    }
    for g in 0..G {
        for k in 0..TOGETHER {
            own[g * TOGETHER + k] = sums[g][k] / *root;
        }
    }
    if first {
        own[j - at] = *root;
    }
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
