// Package remote lets stores share results through a web server that takes GET, HEAD
// and PUT.
//
//   - A Server is where results are shared: blobs under blobs/, named by their SHA-256,
//     and signed entries under actions/, named by their action ID, as in a store.
//   - A signed entry is a store's entry with the Ed25519 signature of whoever computed
//     it. A signature is good for one action, and for these outputs of these lengths.
//   - Keys are a user's signing key, and the public keys that the user trusts.
//   - A token is what the server asks of those who may write.
//   - A Store is a local store with a server behind it: what is not found here is
//     asked for there, and what is computed here is sent there.
//
// Nothing that a server answers is believed: an entry is taken only with the signature of
// a trusted key over the action that was asked for, and a blob only with the length and
// hash that its entry states. Whoever holds a trusted key is believed.
//
// What is not guaranteed: that the server has a result, or answers in time. Then the
// result is computed, as without a server. A server that fails, or is slow again and
// again, is left alone for a while. A server can keep a result back, or give an older
// one of the same action.
package remote
