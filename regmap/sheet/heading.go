package sheet

import (
	"slices"
	"strings"
)

// The roles that a column can have.
const (
	roleAddress  = "address"
	roleOffset   = "offset" // a second address column: it confirms the first
	roleTable    = "table"
	roleFunction = "function"
	roleBit      = "bit"
	roleName     = "name"
	roleTag      = "tag"
	roleAbout    = "about"
	roleType     = "type"
	roleLength   = "length"
	roleBytes    = "bytes"
	roleOrder    = "order"
	roleTimes    = "times"
	roleDivide   = "divide"
	roleScale    = "scale"
	rolePlus     = "plus"
	roleDecimals = "decimals"
	roleUnits    = "units"
	roleAccess   = "access"
	roleMin      = "min"
	roleMax      = "max"
	roleRange    = "range"
	roleRawMin   = "raw-min"
	roleRawMax   = "raw-max"
	roleRawRange = "raw-range"
	roleValues   = "values"
	roleRemark   = "remark"
	roleAlso     = "also" // of our own lists: further keys of a point
)

// heading is the spellings of one role's headings: whole phrases, and words
// that make a heading likely to be it.
type heading struct {
	role    string
	phrases string // separated by commas, in lower case, without marks
	words   string
}

// headings are tried from top to bottom, so the narrow ones stand first.
// Common practice: the spellings met in register lists.
var headings = []heading{
	{roleRawMin, "raw min,raw low,raw minimum,min raw,raw from,counts min,counts low,raw zero", ""},
	{roleRawMax, "raw max,raw high,raw maximum,max raw,raw to,counts max,counts high,raw full scale,raw span", ""},
	{roleRawRange, "raw range,raw,raw values,raw value range,counts,raw counts,range raw,scaling raw,scale raw", ""},
	{roleTable, "table,register type,reg type,object type,memory area,area,register class,register table,data table,primary table,entity,modbus type,point type,object,io type,data block", ""},
	{roleFunction, "function code,function,fc,func,func code,function codes,modbus function,modbus function code,fn,fct,read function,mb function,fc read", "function"},
	{roleBit, "bit,bit no,bit number,bit position,bit pos,bit offset,bit index", ""},
	{roleLength, "length,len,size,registers,no of registers,number of registers,register count,reg count,quantity,qty,words,word count,num regs,no of regs,regs,nb registers,number of words,size words,length words,length registers,size registers,register length,count", ""},
	{roleBytes, "bytes,byte count,size bytes,length bytes,number of bytes,no of bytes", ""},
	{roleOrder, "order,byte order,word order,endian,endianness,byte word order,register order,swap,word swap,byte swap,float order", "endian,swap"},
	{roleDivide, "divisor,divider,divide,divide by,div,denominator", ""},
	{roleTimes, "factor,gain,multiplier,multiply,multiply by,multiplication factor,conversion factor,resolution,lsb,faktor,coefficient,k factor,slope,times", "factor,multiplier"},
	{rolePlus, "scale offset,scaling offset,value offset,zero offset,plus,intercept,bias,add", ""},
	{roleScale, "scale,scaling,scale factor,scaling factor,scalar,conversion,skalierung,scaling rule,echelle", "scaling"},
	{roleDecimals, "decimals,decimal places,decimal,dp,dec,decimal point,digits after point,precision,no of decimals,nachkommastellen,decimal digits", ""},
	{roleAddress, "reference,modbus reference,register reference,modbus address,address,addr,adr,register,register address,reg address,reg addr,reg,reg no,register no,register number,reg number,register nr,reg nr,modbus register,modbus no,modbus addr,mb address,mb addr,register id,adresse,registeradresse,direccion,address hex,address dec,hex address,dec address,start address,start register,starting address,first register,protocol address,pdu address,data address,absolute address,register offset,address offset,offset,reg offset,modbus offset,wire address,number,coil,coil address,holding register,input register,location,zero based address,0 based address,address 0 based,address zero based,1 based address,address 1 based,one based address,address from 0,address from 1,hex,dec", "register address,register number,reg address,modbus address"},
	{roleTag, "tag,tag name,tag no,tag number,tagname,instrument,instrument tag,loop,loop tag,kks,tag id,equipment tag", ""},
	{roleName, "name,variable,variable name,var,var name,signal,signal name,parameter,parameter name,point,point name,symbol,register name,item,item name,data point,datapoint,datapoint name,bezeichnung,nom,nombre,variable description,short name,identifier,channel,data item,object name", "name"},
	{roleAbout, "description,desc,descr,descriptor,about,text,meaning,function description,beschreibung,signal description,point description,long description,register description,content,contents,definition,details,label", "description"},
	{roleType, "type,data type,datatype,c type,ctype,c data type,format,data format,number format,var type,variable type,value type,data,typ,datentyp,representation,encoding,register format,type de donnees,tipo,iec type", "datatype,data type"},
	{roleUnits, "unit,units,uom,eu,engineering unit,engineering units,eng unit,eng units,unit of measure,einheit,unite,unidad,measure,physical unit,dimension", ""},
	{roleAccess, "access,r w,rw,read write,mode,access mode,access type,permission,permissions,rights,access rights,direction,zugriff,read only,writable,writeable,attribute,ro rw,access level,acces,acceso", "r w"},
	{roleMin, "min,minimum,low,lower limit,min value,minimum value,range min,range low,lower,from,eng min,eu min,low limit,lo", ""},
	{roleMax, "max,maximum,high,upper limit,max value,maximum value,range max,range high,upper,to,eng max,eu max,high limit,hi", ""},
	{roleRange, "range,limits,value range,valid range,min max,span,allowed range,setting range,wertebereich,allowed values,measuring range,plage,eng,eng range,engineering range,eu range,scaled range,physical range,engineering values,scaling eng,scale eng", "range"},
	{roleValues, "values,enum,enumeration,options,states,coding,value list,value meaning,states text,codes,bits,bit meaning,bit assignment", ""},
	{roleAlso, "also", ""},
	{roleRemark, "remark,remarks,comment,comments,note,notes,bemerkung,kommentar,additional information,info,hint,observations", "remark,comment"},
}

// Roles lists the roles that a column can be given by name, sorted.
func Roles() []string {
	seen := map[string]bool{roleOffset: true}
	out := []string{roleOffset}
	for _, h := range headings {
		if !seen[h.role] {
			seen[h.role] = true
			out = append(out, h.role)
		}
	}
	slices.Sort(out)
	return out
}

// normal is a heading in lower case, marks as single spaces: "Reg. No." is
// "reg no". What stands in brackets stays, without them.
func normal(s string) string {
	var b strings.Builder
	for _, r := range letters.Replace(strings.ToLower(clean(strings.ReplaceAll(s, "%", "")))) {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' {
			b.WriteRune(r)
		} else {
			b.WriteByte(' ')
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

// roleOf is what a heading is taken for; "" for none.
func roleOf(s string) (role string, sure Surety) {
	n := normal(s)
	if n == "" {
		return "", Unused
	}
	short := n
	if at := strings.IndexAny(s, "([{"); at > 0 { // "Address (hex)"
		short = normal(s[:at])
	}
	tries := []string{n, short}
	if first, _, ok := strings.Cut(s, "/"); ok { // "Access / remark"
		tries = append(tries, normal(first))
	}
	for _, try := range tries {
		for _, h := range headings {
			if slices.Contains(strings.Split(h.phrases, ","), try) {
				return h.role, Settled
			}
		}
	}
	for _, h := range headings {
		for _, w := range strings.Split(h.words, ",") {
			if w != "" && strings.Contains(" "+n+" ", " "+w+" ") {
				return h.role, Likely
			}
		}
	}
	return "", Unused
}
