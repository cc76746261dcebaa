// Package first readies the memory that a program fills while it starts: it has the heap grow by what a run takes until it knows
// what it has to do, and the system give that in huge pages, where it gives those. A program that links much fills some MB while it starts,
// one page of 4 kB a trap into the kernel, of which each takes some 10 us on a virtual machine. Later, room for a season is had by
// asking (Grow), and huge pages for it (heap.Advise).
// So does a program of many MB of code, of which each 64 kB are mapped by a trap when they are first used: it is mapped at once,
// by a processor that has nothing to do yet (populating, madvise(2)).
//
// It does so when it is initialised, so it imports nearly nothing: packages are initialised in the order of their paths, after what
// they import, by which it comes before all that import package os. Its memory is used by every command; where the system limits
// what may be reserved, and elsewhere than on Linux, nothing is done.
//
// Measured on two busy processors, medians of 100 starts by turns that told the version only. With room that was a slice, which two collections of
// garbage gave back: 45.3 ms of processor time, 1120 traps. With that of a stack: 38.3 ms, 964. With the huge page in which the heap begins too: 33.5 ms, 641.
// All of a season's room at once took 2.4 ms more, for the runtime notes of each page whose it is: lower quartiles of 60 times ten starts, 42.7 ms and 40.3.
// With code and the first constants mapped at once, on quiet processors: medians of 60 starts by turns 20.4 ms, without 24.1, of processor time 24.9 and
// 28.8. Of 16 runs of a season of 100 laps of which one has changed 138 and 151 ms, least 126 and 136. All constants took some 5 ms longer there. Some 7 MB,
// which are the system's memory of files, count as the process's more. With one processor there is none that has nothing to do, and nothing is mapped.
package first
