/** How sure a cross-check must be before it accuses the configuration. */
import { normalQuantile } from '../../statistics/student.ts';

/** Each check by itself accuses at most so many right configurations; most know less than they claim and accuse fewer. */
const accused_ratio = 0.02;

/** A difference of more than so many standard uncertainties speaks: both sides of a normal quantity, about 2.3. */
export const sureAt = normalQuantile(1 - accused_ratio / 2);
