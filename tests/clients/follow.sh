#!/bin/sh
# Prints the points of the next run of an instrument, a batch (JSON) a line, stops the run after COUNT batches, and
# prints its result.
#
# usage: follow.sh NODE INSTRUMENT USER COUNT
#
# Host, port, user and password stand in the option files of the mosquitto clients, one option a line, readable by you
# only: ~/.config/mosquitto_sub and ~/.config/mosquitto_pub (mosquitto_sub(1)).  On a command line everybody on the
# machine would read the password.
set -eu
node=$1 instrument=$2 user=$3 count=$4
base=luggin/$node/$instrument

folder=$(mktemp -d)
mkfifo "$folder/messages"
mosquitto_sub -q 1 -v -t "$base/run/+/points" -t "$base/run/+/result" >"$folder/messages" &
listener=$!
trap 'kill "$listener" 2>/dev/null; rm -r "$folder"' EXIT

seen=0
while read -r topic payload; do
    printf '%s\n' "$payload"
    case $topic in
    */result) exit 0 ;;
    esac
    seen=$((seen + 1))
    if [ "$seen" -eq "$count" ]; then
        # A request has a name of its own; reply_to may be left out.  Stop and abort need no token.
        mosquitto_pub -q 1 -t "$base/command/$user/stop" -m "{\"version\": 1, \"request\": \"stop-$$\"}"
    fi
done <"$folder/messages"
