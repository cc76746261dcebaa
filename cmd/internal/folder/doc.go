// Package folder keeps an output folder that one run at a time writes, and whose files
// change all at once or not at all.
//
//   - A File is a file of the set that a run publishes: a name and what writes it.
//   - The set is all files of a folder that are a run's own; what else lies in the folder
//     is foreign and stays.
//   - A Lock is a run's claim to the folder; its Holder says whose it is.
//
// A set is written in full into a staging folder beside the folder, then both change
// places in one step of the file system (renameat2 with RENAME_EXCHANGE on Linux,
// renamex_np with RENAME_SWAP on macOS). A process killed at any moment leaves the old set
// or the new one; what it leaves beside the folder, the next run clears away.
//
// Not guaranteed: on file systems that cannot exchange folders there is a moment between
// two renames in which the folder is missing, and a process killed just then leaves it so
// until the next run puts it back. Where the folder cannot be renamed at all, files are
// replaced one by one, and the caller is told why. A program that reads several files one
// after another may see the old set in the first and the new one in the next.
package folder
