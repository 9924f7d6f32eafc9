#!/bin/sh
# Makes a bucket of InfluxDB 2 and a token that may write to it and do nothing else; the token goes to standard output.
#
#   token.sh ORGANISATION BUCKET
#
# Takes the command `influx`, set up for somebody who may (influx config create …).
set -eu
[ $# = 2 ] || { sed -n '2,/^set /{/^#/s/^# \{0,1\}//p}' "$0" >&2; exit 2; }
organisation=$1 bucket=$2
umask 077

# `influx bucket list` ends with 1 where there is none of that name.
id() { influx bucket list --org "$organisation" --name "$bucket" --hide-headers 2>/dev/null | cut -f 1; }

found=$(id || true)
if [ -z "$found" ]; then
    influx bucket create --org "$organisation" --name "$bucket" --retention 43800h >&2
    found=$(id)
fi
influx auth create --org "$organisation" --write-bucket "$found" --description "sumpwarden writes to $bucket" --json |
    sed -n 's/^[[:space:]]*"token": "\([^"]*\)".*/\1/p'
