// Command duckscan times DuckDB's queries: a module of its own, so that lapwear does not depend on DuckDB. It
// reads a query a line from standard input and writes for each a line with the seconds that it took, from
// sending it to reading its last row, and how many rows it gave. Its argument is the number of threads.
package main

import (
	"bufio"
	"database/sql"
	"fmt"
	"log"
	"os"
	"time"

	_ "github.com/duckdb/duckdb-go/v2"
)

func main() {
	log.SetFlags(0)
	db, err := sql.Open("duckdb", "?threads="+os.Args[1])
	if err != nil {
		log.Fatal(err)
	}
	in := bufio.NewScanner(os.Stdin)
	in.Buffer(nil, 1<<20)
	for in.Scan() {
		start := time.Now()
		n, err := rows(db, in.Text())
		if err != nil {
			log.Fatal(err)
		}
		fmt.Println(time.Since(start).Seconds(), n)
	}
}

func rows(db *sql.DB, query string) (n int, err error) {
	r, err := db.Query(query)
	if err != nil {
		return 0, err
	}
	defer r.Close()
	for r.Next() {
		n++
	}
	return n, r.Err()
}
