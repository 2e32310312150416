// Package reference compares the estimators of engine performance with statistics software that others wrote: numpy, scipy
// and statsmodels of Python, and R with strucchange and sandwich, from Debian's packages. reference.py and reference.R fit
// public data sets anew in every run; nothing they say is written down here. A missing program is a failure, because a
// comparison left out proves nothing.
package reference
