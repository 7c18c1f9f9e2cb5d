# The cables of the machine with its service manager, at each of its starts: a provider that
# delegates a prefix, and a desk. What real devices would be there before anything else.
. /job/site.sh
host isp wan eth0
tagged isp wan 35 203.0.113.9/29
ip -n isp address add 2001:db8:f::1/64 dev wan.35 nodad
host desk lan eth2
ip -n desk link set dev lan address 02:00:00:aa:00:01
tagged desk lan 10 10.7.0.5/27
