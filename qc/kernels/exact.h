/* From here on each operation is rounded by itself: no product and sum become one, so
 * that the numbers are the same whatever the machine has, and those of the Python twin.
 */
#ifndef QC_EXACT_H
#define QC_EXACT_H

#if defined(__clang__)
#pragma STDC FP_CONTRACT OFF
#elif defined(__GNUC__)
#pragma GCC optimize("fp-contract=off")
#endif

#endif
