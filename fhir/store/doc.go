// Package store says what Tidemark keeps and what it promises about it; the
// databases that keep the promises are the packages beneath it.
//
// The promises, which package storetest holds every database to:
//
//   - Acknowledged means on disk. Write returns nil only after the transaction
//     that carries its job has been committed durably.
//   - Versions of a resource count from 1 without gaps, and every version stays
//     readable, the deleted ones as a tombstone.
//   - One failed job leaves nothing behind and does not touch its neighbours.
//   - An identity key belongs to one resource for ever, so that a sender who
//     repeats a request it lost the answer to does not write twice.
//   - Times within one database never run backwards: a later version never
//     carries an earlier LastUpdated than the version before it.
package store
